// Inputs of a step besides its button: ticks, weights, measurements. A form is built once per step.

import { h, say } from "./dom.js";
import { ScaleLine } from "./scale.js";
import { lengthFrom, lengthTo, lengthUnit, mass, massFrom, massTo, massUnit } from "./units.js";

export class Forms {
  constructor(box, { onChange, send, drafts, tick }) {
    this.drafts = drafts;
    this.tick = tick;
    this.box = box;
    this.onChange = onChange;
    this.send = send;
    this.made = null;
    this.why = () => ""; // reason why the step's button must wait for the form
    this.live = () => {}; // updates parts of the form from the rig while it is filled in
  }

  draw(seen, mayAct) {
    const name = `${seen.step_id} ${seen.step} ${mayAct} ${massUnit()}`;
    if (name !== this.made) this.make(name, seen, mayAct);
    this.live(seen);
  }

  make(name, seen, mayAct) {
    this.made = name;
    this.why = () => "";
    this.live = () => {};
    this.box.replaceChildren();
    const make = { prepare: "ticks", weigh: "weigh", measure: "measure" }[seen.step];
    if (make && mayAct) this.box.append(this[make](seen));
  }

  ticks(seen) {
    const boxes = [];
    // Every tick is sent to the rig and returns to every phone.
    const rows = [...seen.checklist].map((text, index) => {
      const box = h("input", { type: "checkbox", onchange: async () => {
        box.sent = box.checked;
        if (!(await this.tick(index, box.checked))) box.checked = !box.checked;
        box.sent = null;
        this.onChange();
      } });
      box.sent = null;
      boxes.push(box);
      return h("label", { class: "tick" }, box, h("span", {}, text));
    });
    this.live = (now) => boxes.forEach((box, index) => {
      if (box.sent === null) box.checked = now.ticked.includes(index);
    });
    this.why = () => {
      const left = boxes.filter((b) => !b.checked).length;
      return left ? `${left} of ${boxes.length} still to tick.` : "";
    };
    const cautions = seen.cautions.map((text) => h("p", { class: "mind" }, text));
    return h("div", {}, cautions.length ? h("h2", {}, "mind") : null, cautions, h("h2", {}, "before you start"), rows);
  }

  weigh(seen) {
    const coat = seen.coats[seen.coat - 1];
    const [planA, planB] = [coat.planned_part_a_g, coat.planned_part_b_g];
    const a = number("part-a", `A: ${mass(planA)} wanted`, massTo(planA));
    const b = number("part-b", `B: ${mass(planB)} wanted`, massTo(planB));
    const verdict = h("p", { class: "why", role: "status" });
    const bar = h("div", { class: "ratio", "aria-hidden": "true" });
    const scale = new ScaleLine((part, grams) => this.send("weigh_part", { part, mass_g: round(grams) }));
    const due = () => (a.input.value ? b : a); // the part that the scale weighs now
    const typed = () => [massFrom(a.input.value), massFrom(b.input.value)];
    // The load on the scale counts as the part to weigh now, so that the ratio follows.
    const read = () => {
      const [gramsA, gramsB] = typed();
      const live = scale.mass_g > 0 && scale.taken_g === null && !["cup", "tare", "taken"].includes(scale.led?.phase) ? scale.net_g() : 0;
      return [gramsA || live, gramsB || (gramsA ? live : 0)];
    };
    const judge = () => {
      const [gramsA, gramsB] = read();
      say(verdict, this.verdict(gramsA, gramsB, planA, planB, seen.ratio_limits.warn_percent / 100));
      drawRatio(bar, gramsA, gramsB, planA, planB);
      this.onChange();
    };
    for (const { input } of [a, b]) {
      this.drafts.bind(input, { show: (grams) => massTo(Number(grams)), read: (text) => round(massFrom(text)) });
      input.addEventListener("input", judge);
      input.addEventListener("change", judge);
    }
    let written = coat.part_a_g !== null && coat.part_b_g !== null;
    this.why = () => (written ? "" : "Record both weights first.");
    // The fields show the recorded weights, whoever took them or took them back.
    const follow = (field, grams) => {
      if (field.known === grams) return;
      if (field.known !== undefined || grams !== null) field.input.value = grams === null ? "" : massTo(grams);
      field.known = grams;
    };
    this.live = (now) => {
      const known = now.coats[now.coat - 1];
      follow(a, known.part_a_g);
      follow(b, known.part_b_g);
      written = known.part_a_g !== null && known.part_b_g !== null;
      if (scale.show(now.scale, typed().every((g) => g > 0) ? "" : due() === a ? "A" : "B")) judge();
    };
    queueMicrotask(judge);
    const submit = async () => {
      if (!typed().every((g) => g > 0)) return;
      written = await this.send("weigh", { part_a_g: round(typed()[0]), part_b_g: round(typed()[1]) });
      this.onChange();
    };
    return form(submit, "Record the weights",
      scale.box, h("div", { class: "fields" }, a.label, b.label), bar, verdict);
  }

  verdict(gramsA, gramsB, planA, planB, most) {
    const ratio = planB / planA;
    if (!(gramsA > 0)) return "Weigh part A first.";
    if (!(gramsB > 0)) return `For ${mass(gramsA)} of A: ${mass(gramsA * ratio)} of B.`;
    const off = gramsB / gramsA / ratio - 1;
    const percent = `${Math.abs(off * 100).toFixed(1)} %`;
    if (Math.abs(off) <= most) return `The ratio is right to ${percent}; ${mass(gramsA + gramsB)} in all.`;
    return off > 0
      ? `Too much B by ${percent}: ${mass(gramsB / ratio - gramsA)} more A would correct it.`
      : `Too little B by ${percent}: ${mass(gramsA * ratio - gramsB)} more B would correct it.`;
  }

  measure() {
    const weight = number("weight", `The casting weighs, ${massUnit()}`);
    const lid = number("lid", `The lid's resin weighs, ${massUnit()}`);
    const rim = [1, 2, 3].map((n) => number(`rim-${n}`, `Rim, place ${n}, ${lengthUnit()}`));
    const spots = ["bottom", "side", "shoulder"].map((where) => [where, number(`spot-${where}`, `Wall, ${where}, ${lengthUnit()}`)]);
    const given = (f) => Number(f.input.value) > 0;
    for (const f of [weight, lid]) this.drafts.bind(f.input, { show: (grams) => massTo(Number(grams)), read: (text) => round(massFrom(text)) });
    for (const f of [...rim, ...spots.map(([, f]) => f)]) this.drafts.bind(f.input, { show: (mm) => lengthTo(Number(mm)), read: (text) => round(lengthFrom(text)) });
    let written = false;
    this.why = () => (written ? "" : "Write the weight down first; the rest may stay empty.");
    const submit = async () => {
      if (!given(weight)) return;
      written = await this.send("measure", {
        weight_g: round(massFrom(weight.input.value)),
        ...(given(lid) ? { lid_g: round(massFrom(lid.input.value)) } : {}),
        rim_mm: rim.filter(given).map((f) => round(lengthFrom(f.input.value))),
        spots: spots.filter(([, f]) => given(f)).map(([where, f]) => ({ where, wall_mm: round(lengthFrom(f.input.value)) })),
      });
      this.onChange();
    };
    return form(submit, "Record the measures", h("div", { class: "fields" }, weight.label, lid.label, ...rim.map((f) => f.label), ...spots.map(([, f]) => f.label)),
      h("p", { class: "why" }, "The rim drains more than the wall: spots on the wall improve later plans more than the rim does."));
  }
}

function form(submit, label, ...parts) {
  const made = h("form", {}, parts, h("p", { class: "also" }, h("button", { type: "submit" }, label)));
  made.addEventListener("submit", (event) => {
    event.preventDefault();
    submit();
  });
  return made;
}

// The typed text, with a point for a comma and without characters that no number has.
function asNumber(typed) {
  const [whole, ...rest] = typed.replaceAll(",", ".").replace(/[^0-9.-]/g, "").replace(/(?!^)-/g, "").split(".");
  return rest.length ? `${whole}.${rest.join("")}` : whole;
}

export function number(id, label, hint) {
  const input = h("input", { type: "text", inputmode: "decimal", id, placeholder: hint, autocomplete: "off" });
  // A field of the type "number" silently drops a comma: 12,5 would be read as 125.
  input.addEventListener("input", () => {
    const plain = asNumber(input.value);
    if (plain === input.value) return;
    const at = asNumber(input.value.slice(0, input.selectionStart)).length;
    input.value = plain;
    input.setSelectionRange(at, at);
  });
  return { input, label: h("label", { class: "field", for: id }, h("span", {}, label), input) };
}

// A line for the wanted B and a bar for the actual B, to the same scale.
function drawRatio(box, gramsA, gramsB, planA, planB) {
  box.replaceChildren();
  if (!(gramsA > 0)) return;
  const want = gramsA * (planB / planA);
  const full = Math.max(want * 1.5, gramsB * 1.05 || 0);
  const bar = h("span", { class: "ratio-bar" });
  bar.style.width = `${(100 * (gramsB || 0)) / full}%`;
  const mark = h("span", { class: "ratio-mark" });
  mark.style.left = `${(100 * want) / full}%`;
  box.append(bar, mark);
}

const round = (value) => Math.round(value * 1000) / 1000;
