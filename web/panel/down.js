// Map of the directions of gravity on the mould, in Hammer's equal-area projection; darker where
// gravity has pointed for longer. The minor axis points up on the map.

import { h } from "./dom.js";
import { fit, ink } from "./ink.js";
import { rate } from "./units.js";

const COLUMNS = 48;
const ROWS = 24;
const SUBSTEPS = 12;
const AROUND = 14; // room for the marks at a pole

export class Down {
  constructor(box) {
    this.canvas = h("canvas", { role: "img" });
    this.words = h("p", { class: "figures" });
    box.replaceChildren(this.canvas, this.words);
    this.clear();
    this.opening = null; // unit vector in the mould frame
  }

  clear() {
    this.dwell_s = new Float64Array(COLUMNS * ROWS);
    this.trace = [];
    this.last = null;
  }

  // Interpolate the angles from one sample to the next, and add each moment to its cell.
  add(sample) {
    const last = this.last;
    this.last = sample;
    const turning = sample.major_rpm !== 0 || sample.minor_rpm !== 0;
    if (!last || sample.coat !== last.coat || !turning) return;
    const passed_s = sample.at_s - last.at_s;
    if (passed_s <= 0 || passed_s > 60) return;
    const steps = passed_s > 5 ? SUBSTEPS * 4 : SUBSTEPS;
    for (let i = 1; i <= steps; i++) {
      const back_s = (passed_s * (steps - i)) / steps;
      const down = downAt(sample.major_deg - 6 * sample.major_rpm * back_s, sample.minor_deg - 6 * sample.minor_rpm * back_s);
      this.dwell_s[cellOf(down)] += passed_s / steps;
      this.trace.push(down);
    }
    if (this.trace.length > 360) this.trace.splice(0, this.trace.length - 360);
  }

  draw(seen) {
    const wide = Math.min(this.canvas.parentElement.clientWidth, 560);
    const [pen, width, height] = fit(this.canvas, Math.round(wide / 2) + 2 * AROUND);
    const at = (v) => project(v, width / 2, height / 2, Math.min(width / 4 - 3, height / 2 - AROUND));

    outline(pen, at);
    pen.fillStyle = ink("wash");
    pen.fill();
    pen.save();
    pen.clip();
    this.cells(pen, at);
    this.recent(pen, at);
    graticule(pen, at);
    pen.restore();
    outline(pen, at);
    pen.strokeStyle = ink("ink");
    pen.lineWidth = 1.5;
    pen.stroke();
    if (this.opening) this.hole(pen, at);
    const [x, y] = at(seen.frame.down);
    dot(pen, x, y, 9, ink("paper"));
    dot(pen, x, y, 6.5, ink("pen"));
    this.tell(seen.frame);
  }

  cells(pen, at) {
    const most = this.dwell_s.reduce((a, b) => Math.max(a, b), 0);
    if (!most) return;
    const width = pen.canvas.clientWidth;
    if (this.tilesFor !== width) {
      this.tiles = tiles(at);
      this.tilesFor = width;
    }
    pen.fillStyle = ink("amber-3");
    this.dwell_s.forEach((dwell_s, cell) => {
      if (!dwell_s) return;
      pen.globalAlpha = 0.12 + 0.78 * Math.sqrt(dwell_s / most);
      pen.fill(this.tiles[cell]);
    });
    pen.globalAlpha = 1;
  }

  recent(pen, at) {
    pen.strokeStyle = ink("pen");
    pen.lineWidth = 1.75;
    pen.beginPath();
    let before = null;
    for (const down of this.trace.slice(-180)) {
      const [x, y] = at(down);
      pen[before === null || Math.abs(x - before) > 60 ? "moveTo" : "lineTo"](x, y);
      before = x;
    }
    pen.stroke();
  }

  hole(pen, at) {
    const [x, y] = at(this.opening);
    pen.beginPath();
    pen.arc(x, y, 8, 0, 7);
    pen.strokeStyle = ink("ink");
    pen.lineWidth = 2.5;
    pen.stroke();
    pen.fillStyle = ink("ink");
    pen.textAlign = "left";
    pen.textBaseline = y < pen.canvas.clientHeight / 2 ? "bottom" : "top";
    pen.fillText("opening", x + 13, y);
  }

  tell(frame) {
    const turns = (axis) => `${axis.turns.toFixed(axis.turns < 100 ? 1 : 0)} turns`;
    const text = [
      `Major ${rate(frame.major.rate_rpm)}, ${turns(frame.major)}; minor ${rate(frame.minor.rate_rpm)}, ${turns(frame.minor)}. `,
      frame.guard_closed ? "The guard is closed." : "The guard is open: nothing turns.",
      frame.paused ? " Paused." : "",
    ];
    if (this.told === text.join("")) return;
    this.told = text.join("");
    this.words.replaceChildren(text[0], h("span", { class: frame.guard_closed ? null : "guard-open" }, text[1]), text[2]);
    this.canvas.setAttribute("aria-label", `Map of the directions of gravity on the mould. ${this.told}`);
  }
}

// The outline of every cell on the map, computed once per map size.
function tiles(at) {
  return Array.from({ length: ROWS * COLUMNS }, (_, cell) => {
    const [row, column] = [Math.floor(cell / COLUMNS), cell % COLUMNS];
    const path = new Path2D();
    for (const [i, j] of [[0, 0], [0, 1], [1, 1], [1, 0]]) {
      const z = 1 - (2 * (row + i)) / ROWS;
      const around = ((column + j) / COLUMNS) * 2 * Math.PI - Math.PI;
      const ring = Math.sqrt(Math.max(0, 1 - z * z));
      // Just inside the seam; otherwise the last column would wrap to the other side.
      const edge = Math.max(-Math.PI + 1e-6, Math.min(Math.PI - 1e-6, around));
      path.lineTo(...at([ring * Math.cos(edge), ring * Math.sin(edge), z]));
    }
    path.closePath();
    return path;
  });
}

// Gravity in the mould frame: -(sin phi sin psi, sin phi cos psi, cos phi).
function downAt(major_deg, minor_deg) {
  const [phi, psi] = [(major_deg * Math.PI) / 180, (minor_deg * Math.PI) / 180];
  return [-Math.sin(phi) * Math.sin(psi), -Math.sin(phi) * Math.cos(psi), -Math.cos(phi)];
}

function cellOf([x, y, z]) {
  const row = Math.min(ROWS - 1, Math.floor(((1 - z) / 2) * ROWS));
  const column = Math.min(COLUMNS - 1, Math.floor(((Math.atan2(y, x) + Math.PI) / (2 * Math.PI)) * COLUMNS));
  return row * COLUMNS + column;
}

// Hammer: an equal-area map of the whole sphere in a 2:1 ellipse (E. Hammer 1892).
function project([x, y, z], cx, cy, unit) {
  const around = Math.atan2(y, x);
  const flat = Math.hypot(x, y);
  const scale = Math.SQRT2 / Math.sqrt(1 + flat * Math.cos(around / 2));
  return [cx + (2 * scale * flat * Math.sin(around / 2) * unit) / Math.SQRT2, cy - (scale * z * unit) / Math.SQRT2];
}

function outline(pen, at) {
  pen.beginPath();
  for (const side of [-Math.PI + 1e-6, Math.PI - 1e-6]) {
    for (let i = 0; i <= 48; i++) {
      const up = ((side < 0 ? i : 48 - i) / 48 - 0.5) * Math.PI;
      pen.lineTo(...at([Math.cos(up) * Math.cos(side), Math.cos(up) * Math.sin(side), Math.sin(up)]));
    }
  }
  pen.closePath();
}

function graticule(pen, at) {
  pen.strokeStyle = ink("rule");
  pen.lineWidth = 0.75;
  const curve = (points) => {
    pen.beginPath();
    points.forEach((p, i) => pen[i ? "lineTo" : "moveTo"](...at(p)));
    pen.stroke();
  };
  const on = (up, around) => [Math.cos(up) * Math.cos(around), Math.cos(up) * Math.sin(around), Math.sin(up)];
  const sweep = (n, from, to) => Array.from({ length: n + 1 }, (_, i) => from + ((to - from) * i) / n);
  for (const up of [-Math.PI / 3, -Math.PI / 6, 0, Math.PI / 6, Math.PI / 3]) {
    curve(sweep(48, -Math.PI + 1e-6, Math.PI - 1e-6).map((around) => on(up, around)));
  }
  for (const around of sweep(6, -Math.PI, Math.PI).slice(1, -1)) {
    curve(sweep(24, -Math.PI / 2, Math.PI / 2).map((up) => on(up, around)));
  }
}

function dot(pen, x, y, radius, colour) {
  pen.beginPath();
  pen.arc(x, y, radius, 0, 7);
  pen.fillStyle = colour;
  pen.fill();
}
