// Before a run is proven for good: what was measured beside what was predicted, what went wrong and
// what nobody measured. A contradiction to the plan needs a reason, which stays in the record.

import { h, table } from "../dom.js";
import { number } from "../forms.js";
import { length, lengthFrom, lengthUnit, mass, massFrom, massUnit } from "../units.js";

const PLACES = ["bottom", "side", "shoulder"];

export const shown = (value, unit) => (value === null ? "–" : unit === "g" ? mass(value) : length(value));
const span = ({ low, high, unit }) => (low === null ? "–" : `${shown(low, unit)} to ${shown(high, unit)}`);

// Objections to a proof: figures outside the plan's range, and coats that differ from the plan.
function against(found) {
  return [
    ...found.findings.filter((f) => f.contradicts).map((f) => `${f.what}: ${shown(f.measured, f.unit)}, where the plan and its error allow ${span(f)}.`),
    ...found.troubles.filter((t) => t.grave).map((t) => t.sentence),
  ];
}

const listed = (lines, none) => (lines.length ? h("ul", { class: "said" }, lines.map((line) => h("li", {}, line))) : h("p", { class: "figures" }, none));

export function assessed(found) {
  return [
    h("h2", {}, "predicted and measured"),
    table("The plan's range includes its own error and that of the gauge", ["what", "predicted", "agrees from", "measured", ""],
      found.findings.map((f) => [f.what, shown(f.foreseen, f.unit), span(f), shown(f.measured, f.unit), f.contradicts ? "contradicts" : f.low === null ? "" : "agrees"])),
    h("h2", {}, "what went wrong"), listed(found.troubles.map((t) => t.sentence), "Nothing in the record."),
    h("h2", {}, "not known"), listed(found.missing.map((m) => m.sentence), "Nothing is missing."),
  ];
}

export async function provingPage(line, runId, { send, refuse, again }) {
  const more = measures();
  const box = h("div", {}, h("p", { class: "figures", role: "status" }, "Comparing. The first time, the wall is computed where it was measured: seconds on a desktop, a minute or more on a small machine."));
  const reason = h("input", { type: "text", id: "prove-reason", maxlength: "500", autocomplete: "off" });
  const why = h("div", { id: "prove-why" });
  let found = null;
  const look = async () => {
    found = await line.post(`/api/runs/${encodeURIComponent(runId)}/assess`, more.read());
    box.replaceChildren(...assessed(found));
    const no = against(found);
    why.replaceChildren(...(no.length ? [
      h("h2", {}, "this contradicts the plan"), listed(no, ""),
      h("p", { class: "why" }, "A proven run will be repeated exactly. Prove this one anyway only with a reason, which stays in the record."),
      h("label", { class: "field", for: reason.id }, h("span", {}, "Why prove it anyway?"), reason)] : []));
  };
  look().catch((error) => box.replaceChildren(h("p", { class: "answer no", role: "alert" }, error.message)));
  const form = h("form", {}, h("div", { class: "fields" }, more.fields), h("p", { class: "also" }, h("button", { type: "submit" }, "Include these too")));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    look().catch((error) => refuse(form, error));
  });
  const press = async () => {
    try {
      await look();
    } catch (error) {
      return refuse(form, error);
    }
    if (against(found).length && !reason.value.trim()) {
      reason.focus();
      return refuse(why, new Error("Say why it is proven although it contradicts its plan."));
    }
    const data = { run_id: runId, ...more.read(), ...(reason.value.trim() ? { reason: reason.value.trim() } : {}) };
    if (await send("prove", data, null)) again();
  };
  return {
    action: { label: "Prove this run", press },
    parts: [
      h("h1", {}, "Compare it with its plan."),
      h("p", { class: "why" }, "A proven run can no longer be changed. Check it first."),
      box, h("h2", {}, "measured later"), form, why,
      h("p", { class: "also" }, h("a", { class: "button", href: `#run/${runId}` }, "Back to the run")),
    ],
  };
}

function measures() {
  const weight = number("prove-weight", `The casting weighs, ${massUnit()}`);
  const lid = number("prove-lid", `The lid's resin weighs, ${massUnit()}`);
  const rim = [1, 2, 3].map((n) => number(`prove-rim-${n}`, `Rim, place ${n}, ${lengthUnit()}`));
  const spots = PLACES.map((where) => [where, number(`prove-${where}`, `Wall, ${where}, ${lengthUnit()}`)]);
  const given = (field) => Number(field.input.value) > 0;
  const read = () => ({
    ...(given(weight) ? { weight_g: massFrom(weight.input.value) } : {}),
    ...(given(lid) ? { lid_g: massFrom(lid.input.value) } : {}),
    ...(rim.some(given) ? { rim_mm: rim.filter(given).map((f) => lengthFrom(f.input.value)) } : {}),
    ...(spots.some(([, f]) => given(f)) ? { spots: spots.filter(([, f]) => given(f)).map(([where, f]) => ({ where, wall_mm: lengthFrom(f.input.value) })) } : {}),
  });
  return { read, fields: [weight, lid, ...rim, ...spots.map(([, f]) => f)].map((f) => f.label) };
}
