// A section of the wall, with thickness to scale: the mould, then one band per coat.

import { h, s, say } from "./dom.js";
import { length, lengthTo, lengthUnit, shown } from "./units.js";
import { niceStep } from "./ink.js";

const LEFT = 46;
const TOP = 30;
const TALL = 92;

export function drawWall(box, seen) {
  const width = Math.max(280, box.clientWidth);
  const target = seen.wall?.target_mm ?? sum(seen.coats.map((c) => c.planned_mm));
  const full = Math.max(target, sum(seen.coats.map((c) => c.planned_mm)), seen.wall?.rim_mm ?? 0);
  const px = (width - LEFT - 26) / (full * 1.06);
  const x = (mm) => LEFT + mm * px;

  const bands = [];
  let inner = 0;
  let liquid = 0;
  let set = 0;
  for (const coat of seen.coats) {
    const gelled = coat.gel_detected_s !== null || coat.done;
    const state = coat.fate === "lost" || coat.poured_s === null ? "planned" : gelled ? "set" : "liquid";
    if (state === "set") set += coat.laid_mm ?? coat.planned_mm;
    if (state === "liquid") liquid += coat.laid_mm ?? coat.planned_mm;
    bands.push(band(coat, state, x(inner), x(inner + coat.planned_mm)));
    inner += coat.planned_mm;
  }

  const drawing = s("svg", {
      viewBox: `0 0 ${width} ${TOP + TALL + 34}`, role: "img",
      "aria-label": describe(seen, set, liquid, target),
    },
    patterns(),
    s("rect", { x: 0, y: TOP, width: LEFT, height: TALL, fill: "url(#mould)" }),
    s("line", { x1: LEFT, x2: LEFT, y1: TOP - 4, y2: TOP + TALL + 4, stroke: "var(--ink)", "stroke-width": 3 }),
    s("text", { x: 0, y: TOP - 10 }, "mould"),
    bands,
    s("line", { x1: x(target), x2: x(target), y1: TOP - 8, y2: TOP + TALL + 6, stroke: "var(--ink)", "stroke-width": 2, "stroke-dasharray": "7 4" }),
    s("text", { x: x(target), y: TOP - 13, "text-anchor": "end" }, `${length(target)} wanted`),
    axis(x, full, target),
    flags(seen.wall, x, seen.live_wall),
  );
  const words = h("p", { class: "figures" }, describe(seen, set, liquid, target));
  const live = seen.live_wall && h("p", { class: "live-wall" }, shown(seen.live_wall.sentence));
  box.replaceChildren(...[live, drawing, words].filter(Boolean));
}

function band(coat, state, from, to) {
  const shade = `var(--amber-${((coat.coat - 1) % 4) + 1})`;
  const edge = state === "liquid" ? wave(to) : `L ${to} ${TOP} L ${to} ${TOP + TALL}`;
  const path = `M ${from} ${TOP} ${edge} L ${from} ${TOP + TALL} Z`;
  const number = s("text", {
    x: (from + to) / 2, y: TOP + TALL / 2 + 6, "text-anchor": "middle", "font-size": 18,
    style: null, class: `coat-number ${state}`,
  }, String(coat.coat));
  if (state === "planned") {
    return [s("path", { d: path, fill: "none", stroke: "var(--rule)", "stroke-width": 1.5, "stroke-dasharray": "3 4" }), number];
  }
  const marks = state === "liquid" && s("path", { d: path, fill: "url(#liquid)" });
  const plate = s("circle", { cx: (from + to) / 2, cy: TOP + TALL / 2, r: 14, fill: "var(--paper)" });
  return [s("path", { d: path, fill: shade, stroke: "var(--ink)", "stroke-width": 1 }), marks, plate, number].filter(Boolean);
}

// The surface of a coat that still flows.
function wave(at) {
  const crests = [];
  for (let y = TOP; y < TOP + TALL; y += 23) crests.push(`Q ${at + 6} ${y + 5.75} ${at} ${y + 11.5} T ${at} ${y + 23}`);
  return `L ${at} ${TOP} ${crests.join(" ")}`;
}

function axis(x, full, target) {
  const y = TOP + TALL + 10;
  const unit = lengthTo(1);
  const step = niceStep(full * unit, 5) / unit;
  const ticks = [];
  for (let mm = 0; mm <= full * 1.001; mm += step) {
    ticks.push(s("line", { x1: x(mm), x2: x(mm), y1: y - 4, y2: y + 2, stroke: "var(--ink)" }));
    ticks.push(s("text", { x: x(mm), y: y + 17, "text-anchor": "middle" }, String(+(mm * unit).toFixed(3))));
  }
  ticks.push(s("line", { x1: x(0), x2: x(full), y1: y - 4, y2: y - 4, stroke: "var(--ink)" }));
  ticks.push(s("text", { x: 0, y: y + 17 }, lengthUnit()));
  return ticks;
}

// Thinnest place and rim, from the computed film: small flags below the bands.
function flags(wall, x, live) {
  const out = [];
  if (live) {
    const y = TOP + TALL - 16;
    out.push(s("path", {
      d: `M ${x(live.low_mm)} ${y - 6} v 12 m 0 -6 H ${x(live.high_mm)} m 0 -6 v 12`, class: "live-span", fill: "none",
      stroke: "var(--ink)", "stroke-width": 2.5,
    }));
  }
  const put = (mm, solid) => {
    const y = TOP + TALL;
    out.push(s("path", {
      d: `M ${x(mm)} ${y - 16} l 7 16 l -14 0 Z`, stroke: "var(--ink)", "stroke-width": 1.5,
      fill: solid ? "var(--ink)" : "var(--paper)",
    }));
  };
  const thinnest = live?.finished_mm ?? wall?.min_mm;
  if (thinnest) put(thinnest, true);
  if (wall?.rim_mm) put(wall.rim_mm, false);
  return out;
}

function describe(seen, set, liquid, target) {
  const now = [];
  if (set) now.push(`${length(set)} set`);
  if (liquid) now.push(`${length(liquid)} still liquid`);
  let built = now.length ? `${now.join(", ")}, of ${length(target)} wanted.` : `Nothing on the wall yet; ${length(target)} wanted.`;
  const wall = seen.wall;
  const lost = seen.coats.filter((c) => c.fate === "lost").map((c) => c.coat);
  if (lost.length) built += ` Coat ${lost.join(" and ")} formed no wall and does not count.`;
  if (wall?.min_mm === null || wall?.min_mm === undefined) return `${built} ${wall?.note ?? ""}`.trim();
  if (seen.live_wall) return `${built} The filled mark is the thinnest place as predicted now, the line is its range.`;
  const rim = wall.rim_mm ? `, rim ${length(wall.rim_mm)} (open mark)` : "";
  const other = seen.coats.some((c) => c.fate === "lost" || c.fate === "changed");
  return `${built} ${other ? `${wall.note} When` : "As planned, when"} all coats are in: thinnest place ${length(wall.min_mm)}${errorWords(wall)} (filled mark)${rim}. The rim is not the wall.`;
}

// Error of the thinnest place, from mesh and shape together, as in the plan.
export function wallError(wall) {
  if (!wall.mesh_error_mm && !wall.shape_error_mm) return null;
  return Math.hypot(wall.mesh_error_mm ?? 0, wall.shape_error_mm ?? 0);
}

function errorWords(wall) {
  const error_mm = wallError(wall);
  return error_mm === null ? "" : ` ± ${length(error_mm, 1)}`;
}

function patterns() {
  return s("defs", {},
    s("pattern", { id: "mould", width: 9, height: 9, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
      s("rect", { width: 9, height: 9, fill: "var(--wash)" }),
      s("line", { x1: 0, x2: 0, y1: 0, y2: 9, stroke: "var(--faint)", "stroke-width": 2.2 })),
    s("pattern", { id: "liquid", width: 11, height: 11, patternUnits: "userSpaceOnUse" },
      s("circle", { cx: 3, cy: 3, r: 1.5, fill: "var(--paper)" }),
      s("circle", { cx: 8.5, cy: 8.5, r: 1.5, fill: "var(--paper)" })));
}

const sum = (values) => values.reduce((a, b) => a + b, 0);
