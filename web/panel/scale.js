// Weighing guided by the scale: its display, the grams to go, and a button for a weight that is not
// taken automatically.

import { h, say } from "./dom.js";
import { mass } from "./units.js";

const MOVED_g = 1; // more than the drift of a scale

export class ScaleLine {
  // take(part, grams): takes the load on the scale after a press.
  constructor(take) {
    this.figure = h("b", { id: "scale-now" });
    this.words = h("span", { role: "status" });
    this.button = h("button", { type: "button", id: "scale-take", onclick: () => {
      if (this.why()) {
        say(this.words, this.why());
        return;
      }
      this.taken_g = this.mass_g;
      take(this.part, this.net_g());
    } });
    this.box = h("div", { class: "scale", hidden: true }, h("p", {}, this.figure, " ", this.words), this.button);
    this.mass_g = null;
    this.steady = false;
    this.part = "";
    this.led = null;
    this.taken_g = null; // until the reading has changed: a glove presses twice
  }

  why() {
    if (!(this.mass_g > 0)) return "The scale is empty.";
    if (this.taken_g !== null) return "Taken. Tare it, or put the next cup on.";
    return this.steady ? "" : "Wait until it is steady.";
  }

  // Grams of the part to weigh now: the mass poured, or the whole load on the scale.
  net_g() {
    return this.led?.phase === "pour" ? this.led.net_g : this.mass_g;
  }

  // part: the one to weigh now; empty when both are known. Returns whether anything changed.
  show(scale, part) {
    const stamp = JSON.stringify([scale, part]);
    if (stamp === this.stamp) return false;
    this.stamp = stamp;
    this.led = scale?.weighing ?? null;
    this.part = part;
    this.mass_g = part && scale ? scale.mass_g : null;
    this.steady = scale?.steady ?? false;
    if (this.taken_g !== null && Math.abs((scale?.mass_g ?? 0) - this.taken_g) > MOVED_g) this.taken_g = null;
    this.box.hidden = !scale;
    if (!scale) return true;
    const lost = scale.mass_g === null;
    this.box.classList.toggle("over", Boolean(this.led?.over));
    say(this.figure, lost ? "" : this.large(scale));
    say(this.words, lost ? `${scale.problem || "The scale has sent nothing yet."} Type the weights.` : this.told(scale));
    this.button.hidden = lost || !part || this.led?.phase === "taken";
    say(this.button, `Take it as part ${part}`);
    this.button.setAttribute("aria-disabled", String(Boolean(this.why())));
    return true;
  }

  large(scale) {
    if (this.led?.phase !== "pour") return mass(scale.mass_g);
    return this.led.over ? `${mass(-this.led.to_go_g)} over` : `${mass(Math.max(0, this.led.to_go_g))} to go`;
  }

  told(scale) {
    if (this.led?.sentence) return this.led.sentence;
    return scale.steady ? "on the scale, steady" : "on the scale …";
  }
}
