// Makes elements without a framework. Text is only inserted as text, with its figures in the chosen
// units; `verbatim: true` leaves text that a person wrote, such as a name, unchanged.

import { shown } from "./units.js";

export function h(tag, props = {}, ...children) {
  return build(document.createElement(tag), props, children);
}

export function s(tag, props = {}, ...children) {
  return build(document.createElementNS("http://www.w3.org/2000/svg", tag), props, children);
}

function build(node, props, children) {
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "verbatim") continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : name === "aria-label" ? shown(value) : value);
  }
  const asShown = (c) => (typeof c === "string" && !props.verbatim ? shown(c) : c);
  node.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false).map(asShown));
  return node;
}

export const byId = (id) => document.getElementById(id);

// A screen reader reads every change, so unchanged text is not written again.
export function say(node, text, { verbatim = false } = {}) {
  const next = verbatim ? text : shown(text);
  if (node.textContent !== next) node.textContent = next;
}

// The same for visibility and attributes: an unchanged value costs no drawing.
export function hide(node, hidden) {
  if (node.hidden !== hidden) node.hidden = hidden;
}

export function mark(node, name, value) {
  if (node.getAttribute(name) !== value) node.setAttribute(name, value);
}

export function table(caption, head, rows) {
  const figure = (value) => typeof value === "number" || /^((by|to) )?[\d–+−]/.test(value ?? "–");
  // A column of figures is aligned right, with its heading and any other text in it.
  const right = (i) => i > 0 && (!rows.length || rows.some((row) => figure(row[i])));
  const cell = (value, i) =>
    i === 0
      ? h("th", { scope: "row" }, String(value ?? "–"))
      : h("td", { class: right(i) && "number" }, value instanceof Node ? value : String(value ?? "–"));
  return h("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    h("table", {},
      h("caption", {}, caption),
      h("thead", {}, h("tr", {}, head.map((t, i) => h("th", { scope: "col", class: right(i) && "number" }, t)))),
      h("tbody", {}, rows.map((row) => h("tr", {}, row.map(cell))))));
}
