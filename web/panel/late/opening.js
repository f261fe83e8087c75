// The opening of a closed form: a cut that a finger moves and tilts in both views.

import { h, s } from "../dom.js";
import { length } from "../units.js";

const STEEPEST_deg = 60;
const rad = Math.PI / 180;

export class OpeningEditor {
  // card: sides and mouth, of /api/library/shape; changed() after every move.
  constructor(card, changed) {
    this.mouth = { ...card.mouth, lean_deg: [...card.mouth.lean_deg] };
    this.changed = changed;
    const rows = card.sides[0].rows_mm;
    [this.low, this.high] = [rows[0][0], rows.at(-1)[0]];
    const room = 1.2 * Math.max(this.high - this.low, ...card.sides.map((side) => wide(side)));
    this.views = card.sides.map((side, axis) => this.view(side, axis, room));
    this.words = h("p", { class: "figures", role: "status" });
    const nudge = (label, act) => h("button", { type: "button", onclick: () => { act(); this.moved(); } }, label);
    const step = (this.high - this.low) / 100;
    this.element = h("div", {},
      h("p", { class: "why" }, "Drag the middle of the red line up or down; drag an end to lean the opening."),
      h("div", { class: "sides large" }, this.views.map((view) => view.figure)),
      h("p", { class: "also" },
        nudge("Lower", () => this.raise(-step)), nudge("Higher", () => this.raise(step)), nudge("Level", () => { this.mouth.lean_deg = [0, 0]; }),
        nudge("Other end", () => this.otherEnd())), this.words);
    this.draw();
  }

  view({ name, rows_mm }, axis, room) {
    const middle = (Math.min(...rows_mm.map((r) => r[1])) + Math.max(...rows_mm.map((r) => r[2]))) / 2;
    const half = wide({ rows_mm }) / 2 + room * 0.04;
    const px = (x) => x - middle + room / 2;
    const py = (z) => room * 0.93 - (z - this.low);
    const at = (x, z) => `${px(x).toFixed(1)} ${py(z).toFixed(1)}`;
    const outline = [...rows_mm.map(([z, left]) => at(left, z)), ...[...rows_mm].reverse().map(([z, , right]) => at(right, z))];
    const line = s("line", { stroke: "var(--signal)", "stroke-width": room / 70 });
    const handle = (words) => s("g", { class: "corner", tabindex: "0", role: "button", "aria-label": `${words}, ${name}` },
      s("circle", { r: room / 12, fill: "transparent" }), s("circle", { r: room / 36, fill: "var(--paper)", stroke: "var(--signal)", "stroke-width": room / 110 }));
    const [centre, left, right] = [handle("Height of the opening"), handle("Left end of the opening"), handle("Right end of the opening")];
    const svg = s("svg", { viewBox: `0 0 ${room} ${room}`, role: "group", "aria-label": `The opening, ${name}` },
      s("path", { d: `M${outline.join("L")}Z`, fill: "var(--amber-1)", stroke: "var(--ink)", "stroke-width": room / 150 }), line, left, right, centre);
    // One finger moves one handle; its position is converted into the form's millimetres.
    const grabbed = (node, act) => {
      node.addEventListener("pointerdown", (event) => {
        event.preventDefault();
        node.setPointerCapture(event.pointerId);
        node.onpointermove = (moved) => {
          const to = new DOMPoint(moved.clientX, moved.clientY).matrixTransform(svg.getScreenCTM().inverse());
          act(to.x - room / 2, this.low + room * 0.93 - to.y);
          this.moved();
        };
      });
      for (const end of ["pointerup", "pointercancel"]) node.addEventListener(end, () => { node.onpointermove = null; });
    };
    const keyed = (node, act) => node.addEventListener("keydown", (event) => {
      const by = { ArrowUp: 1, ArrowDown: -1 }[event.key];
      if (!by) return;
      event.preventDefault();
      act(by);
      this.moved();
    });
    const lean = (x, z) => { this.lean(axis, Math.atan2(z - this.mouth.height_mm, Math.abs(x)) / rad * Math.sign(x)); };
    grabbed(centre, (_, z) => { this.raise(z - this.mouth.height_mm); });
    keyed(centre, (by) => this.raise((by * (this.high - this.low)) / 100));
    for (const [node, side] of [[left, -1], [right, 1]]) {
      grabbed(node, (x, z) => lean(side * Math.max(Math.abs(x), half / 4), z));
      keyed(node, (by) => this.lean(axis, this.mouth.lean_deg[axis] + 2 * by * side));
    }
    const draw = () => {
      const slope = Math.tan(this.mouth.lean_deg[axis] * rad);
      const [y, reach] = [py(this.mouth.height_mm), Math.min(half, (room * 0.45) / Math.max(0.01, Math.abs(slope)))];
      const ends = [[room / 2 - reach, y + slope * reach], [room / 2 + reach, y - slope * reach]];
      line.setAttribute("x1", ends[0][0]); line.setAttribute("y1", ends[0][1]);
      line.setAttribute("x2", ends[1][0]); line.setAttribute("y2", ends[1][1]);
      [[left, ends[0]], [right, ends[1]], [centre, [room / 2, y]]].forEach(([node, [x, to]]) => node.setAttribute("transform", `translate(${x.toFixed(1)} ${to.toFixed(1)})`));
    };
    return { figure: h("figure", {}, svg, h("figcaption", {}, name)), draw };
  }

  raise(by_mm) {
    const room = 0.01 * (this.high - this.low);
    this.mouth.height_mm = round(Math.max(this.low + room, Math.min(this.high - room, this.mouth.height_mm + by_mm)));
  }

  lean(axis, to_deg) {
    this.mouth.lean_deg[axis] = round(Math.max(-STEEPEST_deg, Math.min(STEEPEST_deg, to_deg)));
  }

  otherEnd() {
    this.mouth.side = this.mouth.side === "top" ? "bottom" : "top";
    this.mouth.height_mm = round(this.low + this.high - this.mouth.height_mm);
  }

  moved() {
    this.draw();
    this.changed(this.mouth);
  }

  draw() {
    this.views.forEach((view) => view.draw());
    const leans = this.mouth.lean_deg.some((deg) => deg !== 0) ? `, leaning ${this.mouth.lean_deg.map((deg) => `${deg}°`).join(" and ")}` : ", level";
    this.words.textContent = `Open at the ${this.mouth.side}, at height ${length(this.mouth.height_mm)}${leans}.`;
  }
}

const wide = ({ rows_mm }) => Math.max(...rows_mm.map((r) => r[2])) - Math.min(...rows_mm.map((r) => r[1]));
const round = (value) => Math.round(value * 10) / 10;
