// A replay beside the proven run. Each coat has its own scale of minutes, and both are drawn to the
// same length up to the gel, so that equal cure is above equal cure; afterwards the figures and the
// turns.

import { h, s, table } from "../dom.js";
import { niceStep } from "../ink.js";
import { clock, dayAndTime, length } from "../units.js";

const ROW = 34;

// The coat that turns now: seen.replay, and this coat's own time.
export function drawLive(box, replay, time_s) {
  const width = Math.max(280, box.clientWidth);
  const rows = [
    ["proven", replay.gel_proven_s, replay.proven_time_s],
    ["this one", replay.gel_expected_s, time_s],
  ];
  const parts = rows.flatMap(([name, gel_s, at_s], i) => {
    const y = 22 + i * (ROW + 26);
    const x = (t) => Math.max(0, Math.min(width, (t / gel_s) * width));
    const step_min = niceStep(gel_s / 60, 6);
    const ticks = [];
    for (let m = 0; m * 60 <= gel_s; m += step_min) {
      ticks.push(s("line", { x1: x(m * 60), x2: x(m * 60), y1: y + 14, y2: y + 20, stroke: "var(--ink)" }));
    }
    return [
      s("text", { x: 0, y: y - 6 }, `${name}: ${clock(at_s)} of ${clock(gel_s)}`),
      s("rect", { x: 0, y, width, height: 14, fill: "var(--wash)", stroke: "var(--ink)" }),
      s("rect", { x: 0, y, width: x(at_s), height: 14, fill: i ? "var(--pen)" : "var(--amber-2)" }),
      ticks,
    ];
  });
  const alike = Math.abs(replay.pace - 1) < 0.02;
  const pace = alike ? "It cures as fast as the proven coat." : `It cures ${replay.pace > 1 ? "faster" : "slower"} than the proven coat: a second now is ${replay.pace.toFixed(2)} s of the proven coat.`;
  const words = `${replay.sentence} ${pace}`;
  box.replaceChildren(
    s("svg", { viewBox: `0 0 ${width} ${2 * (ROW + 26)}`, role: "img", "aria-label": words }, parts),
    h("p", { class: "figures" }, words),
    h("p", { class: "figures" }, `Now: ${replay.leg}. ${Math.round(replay.cure_percent)} % of the way to the gel.`));
}

// Two finished runs, as returned by /api/runs/RUN/compare.
export function compared(comparison, card) {
  const of = (coat) => comparison.figures.filter((f) => (f.coat ?? null) === coat)
    .map((f) => [f.what, value(f.proven, f.unit), value(f.this_run, f.unit), difference(f)]);
  const against = `Against the run of ${card ? dayAndTime(card.started_utc) : comparison.proven_run_id}`;
  const parts = [...new Set(comparison.figures.map((f) => f.coat ?? null))];
  return [
    h("p", { class: "why" }, comparison.sentence),
    h("div", { class: "sides" }, comparison.coats.map(turns)),
    h("p", { class: "figures" }, "Turns of the frame against the remaining flow, in % of the proven coat's. Where the lines coincide, the resin flowed the same way. Broad amber: proven; blue: this run."),
    ...parts.map((coat) => table(`${against}: ${coat === null ? "the casting" : `coat ${coat}`}`,
      ["what", "proven", "this run", "differs"], of(coat))),
  ];
}

// Difference of the walls of two runs, place by place. now, then: as returned by /api/mesh.
export function wallVerdict(now, then) {
  if (!now.as_turned || !then.as_turned) return "No verdict on the wall: not every coat of both runs turned until it gelled.";
  if (now.wall_mm.length !== then.wall_mm.length) return "No verdict on the wall: the two runs had different moulds.";
  const off_mm = now.wall_mm.map((wall, i) => wall - then.wall_mm[i]);
  const mean_mm = off_mm.reduce((sum, off) => sum + off, 0) / off_mm.length;
  const most_mm = off_mm.reduce((most, off) => Math.max(most, Math.abs(off)), 0);
  const mean = `${length(Math.abs(mean_mm), 1)} ${mean_mm < 0 ? "thinner" : "thicker"}`;
  return `The wall: on average ${mean} than the proven one, at most ${length(most_mm, 1)} off at any place; thinnest place ${length(now.thinnest_mm, 1)}, in the proven one ${length(then.thinnest_mm, 1)}.`;
}

function turns(coat) {
  const most = [...coat.proven, ...coat.this_run].reduce((m, [, t]) => Math.max(m, Math.abs(t)), 1);
  const far = [...coat.proven, ...coat.this_run].reduce((m, [left]) => Math.max(m, left), 100);
  const [wide, tall] = [300, 160];
  const at = ([left, t]) => `${(34 + (1 - left / far) * (wide - 40)).toFixed(1)} ${(tall - 22 - (Math.abs(t) / most) * (tall - 46)).toFixed(1)}`;
  const path = (rows, colour, width) => s("path", { d: `M ${rows.map(at).join(" L ")}`, fill: "none", stroke: colour, "stroke-width": width, "stroke-linejoin": "round" });
  return h("figure", {},
    s("svg", { viewBox: `0 0 ${wide} ${tall}`, role: "img", "aria-label": `Turns against the remaining flow, coat ${coat.coat}` },
      s("line", { x1: 34, x2: wide, y1: tall - 22, y2: tall - 22, stroke: "var(--ink)" }),
      s("text", { x: 30, y: 14, "text-anchor": "end" }, String(Math.round(most))),
      s("text", { x: 34, y: tall - 5 }, `${Math.round(far)} %`),
      s("text", { x: wide, y: tall - 5, "text-anchor": "end" }, "0 %"),
      path(coat.proven, "var(--amber-2)", 7), path(coat.this_run, "var(--pen)", 2.25)),
    h("figcaption", {}, `coat ${coat.coat}`));
}

function value(amount, unit) {
  if (unit === "s") return clock(amount);
  const digits = Math.abs(amount) >= 100 ? 0 : Math.abs(amount) >= 10 ? 1 : 2;
  return `${amount.toFixed(digits)} ${unit}`.trim();
}

const difference = ({ difference: by, difference_unit: unit }) => `${by >= 0 ? "+" : "−"}${Math.abs(by).toFixed(1)} ${unit}`;
