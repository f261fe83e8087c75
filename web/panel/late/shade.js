// Wall thickness as amber: thin is light, thick is dark, so that grey eyes read it as well.

import { h } from "../dom.js";
import { length } from "../units.js";

const STOPS = [[253, 240, 208], [242, 201, 122], [216, 148, 48], [158, 90, 18], [92, 44, 8]];

export function shadeOf(low, high) {
  return (value) => {
    const along = high > low ? ((value - low) / (high - low)) * (STOPS.length - 1) : 2;
    const i = Math.max(0, Math.min(STOPS.length - 2, Math.floor(along)));
    const part = Math.max(0, Math.min(1, along - i));
    const mixed = STOPS[i].map((c, k) => Math.round(c + (STOPS[i + 1][k] - c) * part));
    return `rgb(${mixed.join(", ")})`;
  };
}

// What the shades mean, and which wall it is.
export function legend(low_mm, high_mm, note) {
  const shade = shadeOf(low_mm, high_mm);
  const steps = Array.from({ length: 5 }, (_, i) => low_mm + ((high_mm - low_mm) * i) / 4);
  return h("div", {},
    h("ul", { class: "key" }, steps.map((mm) => {
      const chip = h("span", { class: "chip" });
      chip.style.background = shade(mm);
      return h("li", {}, chip, length(mm));
    })),
    note ? h("p", { class: "figures" }, note) : null);
}
