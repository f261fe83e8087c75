// Wall thickness as shades of amber, by the scale that the rig sends with every wall. Thin is light,
// thick is dark, and a colour means the same share of the wanted wall in every picture.

import { h } from "../dom.js";
import { length } from "../units.js";

const rgb = (hex) => [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16));

export function shadeOf({ low_mm: low, high_mm: high, stops }) {
  const colours = stops.map(rgb);
  return (value_mm) => {
    const along = Math.max(0, Math.min(1, (value_mm - low) / (high - low))) * (colours.length - 1);
    const i = Math.min(colours.length - 2, Math.floor(along));
    const mixed = colours[i].map((c, k) => Math.round(c + (colours[i + 1][k] - c) * (along - i)));
    return `rgb(${mixed.join(", ")})`;
  };
}

// Legend: the shades, the marks, and the name of the wall.
export function legend(mesh) {
  const { scale } = mesh;
  const shade = shadeOf(scale);
  const many = scale.stops.length;
  const chips = scale.stops.map((_, i) => {
    const value_mm = scale.low_mm + ((scale.high_mm - scale.low_mm) * i) / (many - 1);
    const chip = h("span", { class: "chip" });
    chip.style.background = shade(value_mm);
    const end = i === 0 ? " or less" : i === many - 1 ? " or more" : "";
    return h("li", {}, chip, `${length(value_mm)}${end || (2 * i === many - 1 ? " wanted" : "")}`);
  });
  return h("div", {},
    h("ul", { class: "key" }, chips,
      h("li", {}, h("span", { class: "mark-thin", "aria-hidden": "true" }), `thinnest place, ${length(mesh.thinnest_mm)}`),
      mesh.rim.length ? h("li", {}, h("span", { class: "mark-rim", "aria-hidden": "true" }), "opening") : null),
    mesh.note ? h("p", { class: "figures" }, mesh.note) : null);
}

// A thickness in words, compared with the wanted one.
export function reading(value_mm, { wanted_mm }) {
  const off = Math.round((value_mm / wanted_mm - 1) * 100);
  const against = off === 0 ? "as wanted" : `${Math.abs(off)} % ${off < 0 ? "under" : "over"} the wanted ${length(wanted_mm)}`;
  return `Here: ${length(value_mm, 1)}, ${against}.`;
}
