// Fields of the library's forms; each returns its value in mm, g or degC.

import { h } from "../dom.js";
import { number } from "../forms.js";
import { lengthFrom, lengthTo, lengthUnit, massFrom, massTo, massUnit, tempFrom, tempTo, tempUnit, unitOf } from "../units.js";

const round = (value) => Math.round(value * 1000) / 1000;
const KINDS = {
  length: [lengthUnit, lengthFrom, (v) => round(lengthTo(v))],
  mass: [massUnit, massFrom, (v) => massTo(v)],
  temp: [tempUnit, tempFrom, (v) => round(tempTo(v))],
  heavy: [() => unitOf("kg").symbol, (typed) => Number(typed) / unitOf("kg").factor, (v) => round(v * unitOf("kg").factor)],
  plain: [() => "", Number, (v) => v],
};

// A number with its unit. get() returns undefined if the field is empty.
// range: [least, most] in mm, g, degC or the label's unit; shown beside the field and checked.
export function figure(id, label, kind, { value, hint = "", range } = {}) {
  const [unit, from, to] = KINDS[kind];
  const limits = range && `${to(range[0])} to ${to(range[1])}`;
  const field = number(id, unit() ? `${label}, ${unit()}` : label, String(hint || limits || ""));
  if (value !== undefined && value !== null) field.input.value = to(value);
  const refuse = (why) => { throw at(field.input, `${label}: ${why}`); };
  const get = () => {
    if (field.input.value === "") return undefined;
    const found = round(from(field.input.value));
    return Number.isFinite(found) ? found : refuse("write a number, such as 12.5.");
  };
  // Throws if the value is out of range, or is missing but needed.
  const checked = (needed) => {
    const found = get();
    if (found === undefined ? needed : range && !(found >= range[0] - 1e-9 && found <= range[1] + 1e-9)) {
      refuse(`must be ${limits}${unit() ? ` ${unit()}` : ""}.`);
    }
    return found;
  };
  return { ...field, get, checked, refuse };
}

// A refusal that concerns this field: the field gets the focus, and the reason is shown beside it.
export function at(input, words) {
  input.focus();
  return Object.assign(new Error(words), { input });
}

export function text(id, label, { value = "", most = 80 } = {}) {
  const input = h("input", { type: "text", id, maxlength: String(most), autocomplete: "off", value });
  return { input, label: h("label", { class: most > 40 ? "field wide" : "field", for: id }, h("span", {}, label), input), get: () => input.value.trim() };
}

// options: [[value, words], ...]
export function pick(id, label, options, { value, changed = () => {} } = {}) {
  const input = h("select", { id, onchange: () => changed(input.value) }, options.map(([key, words]) =>
    h("option", { value: key, selected: key === value }, words)));
  return { input, label: h("label", { class: "field", for: id }, h("span", {}, label), input), get: () => input.value };
}

export function tick(label, checked = false) {
  const input = h("input", { type: "checkbox", id: `tick-${label.toLowerCase().replace(/[^a-z0-9]+/g, "-")}`, checked });
  return { input, label: h("label", { class: "tick" }, input, h("span", {}, label)), get: () => input.checked };
}

export const PICTURES = "image/jpeg,image/png,image/webp"; // by type, so that a phone also offers its camera

// Without `accept` a phone offers every file; some would grey out endings that they do not know.
export function chooser(id, label, accept) {
  const input = h("input", { type: "file", id, accept });
  return { input, label: h("label", { class: "field", for: id }, h("span", {}, label), input), get: () => input.files[0] };
}

export const fields = (...made) => h("div", { class: "fields" }, made.map((one) => one.label));
