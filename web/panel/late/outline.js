// The outline found in a photograph, with corners that a finger can move.

import { h, s } from "../dom.js";

const MOST = 44; // corners that fingers can tell apart on a phone

export class OutlineEditor {
  constructor(id) {
    this.id = id;
    this.corners = null;
    this.element = h("div", {});
  }

  // card: file, outline_px; width_px and height_px if known.
  show(card) {
    this.corners = thinned(card.outline_px, MOST);
    const wide = card.width_px ?? 1.1 * Math.max(...this.corners.map((c) => c[0]));
    const high = card.height_px ?? 1.1 * Math.max(...this.corners.map((c) => c[1]));
    this.line = s("path", { fill: "none", stroke: "var(--pen)", "stroke-width": wide / 200 });
    const svg = s("svg", { viewBox: `0 0 ${wide} ${high}`, role: "group", "aria-label": "The outline over the photograph; move a corner with the arrow keys" },
      s("image", { href: `/api/library/files/${card.file}`, width: wide, height: high }), this.line);
    this.corners.forEach((_, i) => svg.append(this.handle(svg, i, wide)));
    this.draw();
    this.element.replaceChildren(svg);
  }

  handle(svg, i, wide) {
    const [x, y] = this.corners[i];
    const dot = s("circle", { cx: x, cy: y, r: wide / 45, class: "corner", fill: "transparent", stroke: "var(--signal)", "stroke-width": wide / 250, tabindex: "0", role: "button", "aria-label": `Corner ${i + 1}` });
    const move = (to) => {
      this.corners[i] = to;
      dot.setAttribute("cx", to[0]);
      dot.setAttribute("cy", to[1]);
      this.draw();
    };
    dot.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      dot.setPointerCapture(event.pointerId);
      dot.onpointermove = (moved) => {
        const at = new DOMPoint(moved.clientX, moved.clientY).matrixTransform(svg.getScreenCTM().inverse());
        move([round(at.x), round(at.y)]);
      };
    });
    dot.addEventListener("pointerup", () => { dot.onpointermove = null; });
    dot.addEventListener("keydown", (event) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!by) return;
      event.preventDefault();
      const step = wide / 300;
      move([round(this.corners[i][0] + by[0] * step), round(this.corners[i][1] + by[1] * step)]);
    });
    return dot;
  }

  draw() {
    this.line.setAttribute("d", `M${this.corners.map((c) => c.join(" ")).join("L")}Z`);
  }
}

const round = (value) => Math.round(value * 10) / 10;

// The corners that say most: again and again the one whose triangle is smallest is left out
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
