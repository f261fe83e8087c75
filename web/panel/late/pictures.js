// A plan in pictures: the wall from four sides, the time line, the speeds.

import { h, s, say } from "../dom.js";
import { fit, ink, niceStep } from "../ink.js";
import { clock, minutes, rate } from "../units.js";
import { between } from "./section.js";
import { legend, reading, shadeOf } from "./shade.js";

const SIDES = [["front", 0], ["right", 90], ["back", 180], ["left", 270]];
const LEFT = 40;
const NARROWEST = 280;

// Orthographic, far faces first; the mesh's z stays up. A tap reads the wall; `turn` opens the
// casting in three dimensions.
export function fourSides(mesh, turn) {
  const { vertices_mm: points, wall_mm: wall } = mesh;
  const shade = shadeOf(mesh.scale);
  const colours = mesh.faces.map((f) => shade((wall[f[0]] + wall[f[1]] + wall[f[2]]) / 3));
  const centre = [0, 1, 2].map((k) => points.reduce((sum, p) => sum + p[k], 0) / points.length);
  const reach = points.reduce((m, p) => Math.max(m, Math.hypot(...p.map((v, k) => v - centre[k]))), 0);
  const words = h("p", { class: "figures", role: "status" }, "Tap the casting to read its wall.");
  const box = h("div", { class: "sides" }, SIDES.map(([name, turn_deg]) => {
    const canvas = h("canvas", { role: "img", "aria-label": `The casting from the ${name}` });
    const side = { mesh, colours, centre, reach, turn: (turn_deg * Math.PI) / 180 };
    requestAnimationFrame(() => paint(canvas, side));
    canvas.addEventListener("click", (event) => {
      const found = wallAt(canvas, side, event);
      say(words, found === null ? "That is outside the casting. Tap on the casting to read its wall." : reading(found, mesh.scale));
    });
    return h("figure", {}, canvas, h("figcaption", {}, name));
  }));
  return h("div", {}, box, words, legend(mesh),
    h("p", { class: "tools" }, h("button", { type: "button", onclick: turn }, "Turn the casting round")));
}

// Every point as [x_px, y_px, depth], the nearest last.
function cast({ mesh, centre, reach, turn }, width, height) {
  const scale = (Math.min(width, height) / 2 - 8) / reach;
  const [c, n] = [Math.cos(turn), Math.sin(turn)];
  const seen = mesh.vertices_mm.map((p) => {
    const [x, y, z] = p.map((v, k) => v - centre[k]);
    return [width / 2 + (x * c + y * n) * scale, height / 2 - z * scale, y * c - x * n];
  });
  const depth = (f) => f.reduce((sum, v) => sum + seen[v][2], 0);
  const order = mesh.faces.map((_, i) => i).sort((a, b) => depth(mesh.faces[b]) - depth(mesh.faces[a]));
  return { seen, order };
}

function paint(canvas, side) {
  const [pen, width, height] = fit(canvas, canvas.clientWidth);
  const { seen, order } = cast(side, width, height);
  const { faces, rim, thinnest_vertex: thin, inward } = side.mesh;
  for (const i of order) {
    pen.beginPath();
    for (const v of faces[i]) pen.lineTo(seen[v][0], seen[v][1]);
    pen.closePath();
    pen.fillStyle = side.colours[i];
    pen.strokeStyle = side.colours[i];
    pen.fill();
    pen.stroke();
  }
  pen.strokeStyle = ink("ink");
  pen.lineWidth = 2;
  pen.beginPath();
  for (const [a, b] of rim) {
    pen.moveTo(seen[a][0], seen[a][1]);
    pen.lineTo(seen[b][0], seen[b][1]);
  }
  pen.stroke();
  // The thinnest place: filled if it faces the viewer, hollow if it is seen through the casting.
  const away = inward[thin][1] * Math.cos(side.turn) - inward[thin][0] * Math.sin(side.turn);
  pen.beginPath();
  pen.arc(seen[thin][0], seen[thin][1], 6, 0, 7);
  pen.strokeStyle = ink("paper");
  pen.lineWidth = 5;
  pen.stroke();
  pen.strokeStyle = ink("pen");
  pen.lineWidth = 3;
  pen.stroke();
  pen.fillStyle = ink("pen");
  if (away > 0) pen.fill();
}

// The wall of the nearest triangle under a finger, or null.
function wallAt(canvas, side, event) {
  const { seen, order } = cast(side, canvas.clientWidth, canvas.clientHeight);
  const at = [event.offsetX, event.offsetY, 0];
  for (const i of order.reverse()) {
    const face = side.mesh.faces[i];
    const flat = face.map((v) => [seen[v][0], seen[v][1], 0]);
    const turns = flat.map(([x, y], k) => {
      const [p, q] = flat[(k + 1) % 3];
      return (p - x) * (at[1] - y) - (q - y) * (at[0] - x);
    });
    if (turns.every((t) => t >= 0) || turns.every((t) => t <= 0)) {
      return between(at, flat, face.map((v) => side.mesh.wall_mm[v]));
    }
  }
  return null;
}

// Drawn at the available width, and again when that changes.
function drawing(make) {
  const box = h("div");
  let width = 0;
  const draw = () => {
    const now = Math.max(NARROWEST, box.clientWidth);
    if (!box.isConnected || now === width) return;
    width = now;
    box.replaceChildren(make(width));
  };
  new ResizeObserver(draw).observe(box);
  requestAnimationFrame(draw);
  return box;
}

// One row per coat over the minutes: manual work, turning, resting.
export function timeline(plan) {
  const cure_s = Math.max(plan.totals.demould_from_min, plan.totals.elapsed_min) * 60;
  return h("div", {},
    drawing((width) => timeDrawing(plan, cure_s, width)),
    h("p", { class: "figures" }, `Minutes from the first mix: unfilled: manual work; amber: turning; dotted: resting. Open the mould after ${minutes(plan.totals.demould_from_min * 60)}.`));
}

const ROW = 30;

function timeDrawing(plan, cure_s, width) {
  const left = 52;
  const x = (time_s) => left + (time_s / cure_s) * (width - left - 14);
  const parts = [];
  let from_s = 0;
  plan.coats.forEach((coat, i) => {
    const k = coat.clock;
    const y = 4 + i * ROW;
    const next_s = i + 1 < plan.coats.length ? from_s + k.next_pour_from_s : cure_s;
    parts.push(
      s("text", { x: 0, y: y + 17 }, `coat ${coat.coat}`),
      s("rect", { x: x(from_s), y, width: x(k.spin_from_s) - x(0), height: 22, fill: "var(--paper)", stroke: "var(--ink)" }),
      s("rect", { x: x(from_s + k.spin_from_s), y, width: x(k.spin_until_s) - x(k.spin_from_s), height: 22, fill: `var(--amber-${(i % 4) + 1})`, stroke: "var(--ink)" }),
      s("line", { x1: x(from_s + k.spin_until_s), x2: x(next_s), y1: y + 11, y2: y + 11, stroke: "var(--ink)", "stroke-dasharray": "2 5", "stroke-width": 2 }));
    from_s += k.next_pour_from_s - k.spin_from_s;
  });
  const foot = 8 + plan.coats.length * ROW;
  return s("svg", { viewBox: `0 0 ${width} ${foot + 26}`, role: "img", "aria-label": `The coats over ${minutes(cure_s)}` },
    parts, minuteAxis(cure_s, x, foot));
}

// A scale of minutes below a drawing; the unit is placed where there is no figure.
function minuteAxis(total_s, x, y) {
  const parts = [s("line", { x1: x(0), x2: x(total_s), y1: y, y2: y, stroke: "var(--ink)" })];
  const step_min = niceStep(total_s / 60, 5);
  for (let m = 0; m <= total_s / 60; m += step_min) {
    parts.push(
      s("line", { x1: x(m * 60), x2: x(m * 60), y1: y, y2: y + 5, stroke: "var(--ink)" }),
      s("text", { x: x(m * 60), y: y + 20, "text-anchor": "middle" }, String(m)));
  }
  parts.push(s("text", { x: 0, y: y + 20 }, "min"));
  return parts;
}

// Both speeds over the spin, coat by coat, all on one scale of speed.
export function spins(plan) {
  const most_rpm = plan.coats.flatMap((coat) => coat.ramps)
    .reduce((m, r) => Math.max(m, Math.abs(r.major_rpm), Math.abs(r.minor_rpm)), 1);
  return h("div", {},
    h("ul", { class: "key" },
      h("li", {}, s("svg", { viewBox: "0 0 26 14", "aria-hidden": "true" }, s("line", { x1: 0, x2: 26, y1: 7, y2: 7, stroke: "var(--pen)", "stroke-width": 2 })), "major axis"),
      h("li", {}, s("svg", { viewBox: "0 0 26 14", "aria-hidden": "true" }, s("line", { x1: 0, x2: 26, y1: 7, y2: 7, stroke: "var(--amber-3)", "stroke-width": 3, "stroke-dasharray": "7 3" })), "minor axis")),
    plan.coats.map((coat) => {
      const total_s = coat.ramps.reduce((sum, r) => sum + r.duration_s, 0);
      const most = coat.ramps.reduce((m, r) => Math.max(m, Math.abs(r.major_rpm), Math.abs(r.minor_rpm)), 0);
      const legs = [...new Set(coat.ramps.map((r) => r.leg))].join(", then ");
      return h("figure", { class: "spin" },
        drawing((width) => spinDrawing(coat, total_s, most_rpm, width)),
        h("figcaption", {}, `Coat ${coat.coat}: ${clock(total_s)} of turning, up to ${rate(most)}; first ${legs}. Below 0 it turns the other way.`));
    }));
}

function spinDrawing(coat, total_s, most_rpm, width) {
  const [top, tall] = [8, 104];
  const x = (time_s) => LEFT + (time_s / total_s) * (width - LEFT - 14);
  const backwards = coat.ramps.some((r) => r.major_rpm < 0 || r.minor_rpm < 0);
  const least_rpm = backwards ? -most_rpm : 0;
  const y = (rpm) => top + ((most_rpm - rpm) / (most_rpm - least_rpm)) * tall;
  const path = (axis) => {
    let at_s = 0;
    return coat.ramps.reduce((d, r) => {
      at_s += r.duration_s;
      return `${d} L ${x(at_s).toFixed(1)} ${y(r[axis]).toFixed(1)}`;
    }, `M ${x(0)} ${y(0)}`);
  };
  const step = niceStep(most_rpm - least_rpm, 4);
  const marks = [];
  for (let rpm = Math.ceil(least_rpm / step) * step; rpm <= most_rpm; rpm += step) {
    marks.push(
      s("line", { x1: LEFT, x2: width - 14, y1: y(rpm), y2: y(rpm), stroke: rpm ? "var(--hair)" : "var(--rule)" }),
      s("text", { x: LEFT - 6, y: y(rpm) + 5, "text-anchor": "end" }, String(+rpm.toFixed(1)).replace("-", "−")));
  }
  return s("svg", { viewBox: `0 0 ${width} ${top + tall + 46}`, role: "img", "aria-label": `Speeds of coat ${coat.coat}, in turns a minute over minutes` },
    marks,
    s("path", { d: path("major_rpm"), fill: "none", stroke: "var(--pen)", "stroke-width": 2 }),
    s("path", { d: path("minor_rpm"), fill: "none", stroke: "var(--amber-3)", "stroke-width": 2.5, "stroke-dasharray": "7 3" }),
    minuteAxis(total_s, x, top + tall + 4),
    s("text", { x: 0, y: top + tall + 42 }, "up: rpm (turns a minute)"));
}
