// A plan in pictures: the wall from four sides, the time it takes, how it turns.

import { h, s } from "../dom.js";
import { fit, niceStep } from "../ink.js";
import { clock, minutes } from "../units.js";
import { legend, shadeOf } from "./shade.js";

const SIDES = [["front", 0], ["right", 90], ["back", 180], ["left", 270]];

// Orthographic, far faces first; the mesh's z stays up.
export function fourSides(mesh) {
  const { vertices_mm: points, faces, wall_mm: wall } = mesh;
  const low = wall.reduce((a, b) => Math.min(a, b));
  const high = wall.reduce((a, b) => Math.max(a, b));
  const shade = shadeOf(low, high);
  const perVertex = wall.length === points.length;
  const of = (f) => (perVertex ? (wall[faces[f][0]] + wall[faces[f][1]] + wall[faces[f][2]]) / 3 : wall[f]);
  const colours = faces.map((_, f) => shade(of(f)));
  const centre = [0, 1, 2].map((k) => points.reduce((sum, p) => sum + p[k], 0) / points.length);
  const reach = points.reduce((m, p) => Math.max(m, Math.hypot(...p.map((v, k) => v - centre[k]))), 0);
  const box = h("div", { class: "sides" }, SIDES.map(([name, turn_deg]) => {
    const canvas = h("canvas", { role: "img", "aria-label": `The casting from the ${name}` });
    requestAnimationFrame(() => paint(canvas, points, faces, colours, centre, reach, (turn_deg * Math.PI) / 180));
    return h("figure", {}, canvas, h("figcaption", {}, name));
  }));
  return h("div", {}, box, legend(low, high, mesh.note));
}

function paint(canvas, points, faces, colours, centre, reach, turn) {
  const [pen, width, height] = fit(canvas, canvas.clientWidth);
  const scale = (Math.min(width, height) / 2 - 4) / reach;
  const [c, n] = [Math.cos(turn), Math.sin(turn)];
  const seen = points.map((p) => {
    const [x, y, z] = p.map((v, k) => v - centre[k]);
    return [width / 2 + (x * c + y * n) * scale, height / 2 - z * scale, y * c - x * n];
  });
  const depth = (f) => f.reduce((sum, v) => sum + seen[v][2], 0);
  const order = faces.map((_, i) => i).sort((a, b) => depth(faces[b]) - depth(faces[a]));
  for (const i of order) {
    pen.beginPath();
    for (const v of faces[i]) pen.lineTo(seen[v][0], seen[v][1]);
    pen.closePath();
    pen.fillStyle = colours[i];
    pen.strokeStyle = colours[i];
    pen.fill();
    pen.stroke();
  }
}

// Every coat on one line of minutes: hands, turning, resting.
export function timeline(plan) {
  const width = 640;
  const total_s = plan.totals.elapsed_min * 60;
  const cure_s = Math.max(plan.totals.demould_from_min * 60, total_s);
  const x = (time_s) => (time_s / cure_s) * width;
  const parts = [];
  let from_s = 0;
  plan.coats.forEach((coat, i) => {
    const k = coat.clock;
    const shade = `var(--amber-${(i % 4) + 1})`;
    const next_s = i + 1 < plan.coats.length ? k.next_pour_from_s : cure_s - from_s;
    parts.push(
      s("rect", { x: x(from_s), y: 24, width: x(k.spin_from_s), height: 26, fill: "var(--paper)", stroke: "var(--ink)" }),
      s("rect", { x: x(from_s + k.spin_from_s), y: 24, width: x(k.spin_until_s - k.spin_from_s), height: 26, fill: shade, stroke: "var(--ink)" }),
      s("line", { x1: x(from_s + k.spin_until_s), x2: x(from_s + next_s), y1: 37, y2: 37, stroke: "var(--ink)", "stroke-dasharray": "2 5", "stroke-width": 2 }),
      s("text", { x: x(from_s), y: 16 }, `coat ${coat.coat}`));
    from_s += k.next_pour_from_s - k.spin_from_s;
  });
  const step_min = niceStep(cure_s / 60, 6);
  for (let m = 0; m <= cure_s / 60; m += step_min) {
    parts.push(s("line", { x1: x(m * 60), x2: x(m * 60), y1: 56, y2: 62, stroke: "var(--ink)" }),
      s("text", { x: x(m * 60), y: 78, "text-anchor": m === 0 ? "start" : "middle" }, String(m)));
  }
  parts.push(s("line", { x1: 0, x2: width, y1: 56, y2: 56, stroke: "var(--ink)" }));
  return h("div", {},
    h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Timeline" },
      s("svg", { viewBox: `0 0 ${width + 30} 84`, class: "wide", role: "img", "aria-label": `The coats over ${minutes(cure_s)}` }, parts)),
    h("p", { class: "figures" }, `Minutes: white by hand, amber turning, dotted resting. Open the mould after ${minutes(plan.totals.demould_from_min * 60)}.`));
}

// Both speeds over the spin, coat by coat.
export function spins(plan) {
  return h("div", {}, plan.coats.map((coat) => {
    const total_s = coat.ramps.reduce((sum, r) => sum + r.duration_s, 0);
    const most = coat.ramps.reduce((m, r) => Math.max(m, Math.abs(r.major_rpm), Math.abs(r.minor_rpm)), 1);
    const [width, half] = [640, 44];
    const path = (axis) => {
      let at_s = 0;
      return coat.ramps.reduce((d, r) => {
        at_s += r.duration_s;
        return `${d} L ${((at_s / total_s) * width).toFixed(1)} ${(half - (r[axis] / most) * (half - 4)).toFixed(1)}`;
      }, `M 0 ${half}`);
    };
    const legs = [...new Set(coat.ramps.map((r) => r.leg))].join(", then ");
    return h("figure", { class: "spin" },
      s("svg", { viewBox: `0 0 ${width} ${half * 2}`, role: "img", "aria-label": `Speeds of coat ${coat.coat}`, preserveAspectRatio: "none" },
        s("line", { x1: 0, x2: width, y1: half, y2: half, stroke: "var(--rule)" }),
        s("path", { d: path("major_rpm"), fill: "none", stroke: "var(--pen)", "stroke-width": 2 }),
        s("path", { d: path("minor_rpm"), fill: "none", stroke: "var(--amber-3)", "stroke-width": 2, "stroke-dasharray": "7 3" })),
      h("figcaption", {}, `Coat ${coat.coat}: ${clock(total_s)} of turning, up to ${most.toFixed(1)} rpm; first ${legs}; major in blue, minor dashed.`));
  }));
}
