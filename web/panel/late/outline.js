// The outline found in a photograph, with corners that a finger can move.

import { h, s } from "../dom.js";

const MOST = 44; // corners that fingers can tell apart on a phone

export class OutlineEditor {
  // changed() is called when a finger lets go of a corner.
  constructor(id, changed = () => {}) {
    this.id = id;
    this.changed = changed;
    this.corners = null;
    this.card = null;
    this.element = h("div", {});
  }

  // card: file, outline_px; width_px and height_px if known.
  show(card) {
    this.card = card;
    this.corners = thinned(card.outline_px, MOST);
    const wide = card.width_px ?? 1.1 * Math.max(...this.corners.map((c) => c[0]));
    const high = card.height_px ?? 1.1 * Math.max(...this.corners.map((c) => c[1]));
    this.line = s("path", { fill: "none", stroke: "var(--pen)", "stroke-width": wide / 200 });
    const svg = s("svg", { viewBox: `0 0 ${wide} ${high}`, role: "group", "aria-label": "The outline over the photograph; move a corner with the arrow keys" },
      s("image", { href: `/api/library/files/${card.file}`, width: wide, height: high }), this.line);
    this.moves = [];
    this.corners.forEach((_, i) => svg.append(...this.handle(svg, i, wide)));
    this.draw();
    this.element.replaceChildren(svg);
  }

  handle(svg, i, wide) {
    const [x, y] = this.corners[i];
    const dot = s("circle", { cx: x, cy: y, r: wide / 45, fill: "transparent", stroke: "var(--signal)", "stroke-width": wide / 250 });
    // The finger's own ring is wider than the dot, and does not hide what is under it.
    const ring = s("circle", { cx: x, cy: y, r: wide / 16, class: "corner", fill: "transparent", tabindex: "0", role: "button", "aria-label": `Corner ${i + 1}` });
    const move = (to) => {
      this.corners[i] = to;
      for (const one of [dot, ring]) {
        one.setAttribute("cx", to[0]);
        one.setAttribute("cy", to[1]);
      }
      this.draw();
    };
    const place = (event) => {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      return [round(at.x), round(at.y)];
    };
    ring.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      ring.setPointerCapture(event.pointerId);
      // Rings overlap: the corner nearest to the finger is chosen. It moves by as much as the finger.
      const from = place(event);
      const near = this.nearest(from);
      const was = [...this.corners[near]];
      ring.onpointermove = (moved) => {
        const to = place(moved);
        this.moves[near]([round(was[0] + to[0] - from[0]), round(was[1] + to[1] - from[1])]);
      };
    });
    for (const end of ["pointerup", "pointercancel"]) ring.addEventListener(end, () => { ring.onpointermove = null; this.changed(); });
    this.moves[i] = move;
    ring.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!by) return;
      event.preventDefault();
      const step = wide / 300;
      move([round(this.corners[i][0] + by[0] * step), round(this.corners[i][1] + by[1] * step)]);
    });
    return [dot, ring];
  }

  nearest([x, y]) {
    const away = this.corners.map((c) => Math.hypot(c[0] - x, c[1] - y));
    return away.indexOf(Math.min(...away));
  }

  // The present outline, for a draft; null if there is none.
  kept() {
    return this.corners && { file: this.card.file, width_px: this.card.width_px, height_px: this.card.height_px, outline_px: this.corners };
  }

  draw() {
    this.line.setAttribute("d", `M${this.corners.map((c) => c.join(" ")).join("L")}Z`);
  }
}

const round = (value) => Math.round(value * 10) / 10;

// The most important corners: the corner with the smallest triangle is removed again and again
// (Visvalingam and Whyatt 1993, Cartographic Journal 30:46).
function thinned(corners, most) {
  const left = corners.map((c) => [...c]);
  while (left.length > most) {
    let least = Infinity;
    let which = 0;
    left.forEach((b, i) => {
      const [a, c] = [left.at(i - 1), left[(i + 1) % left.length]];
      const area = Math.abs((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1]));
      if (area < least) [least, which] = [area, i];
    });
    left.splice(which, 1);
  }
  return left;
}
