// Text typed into a form stays on this phone until it is saved: a reload, a flat battery or a broken
// connection loses nothing.

import { h } from "../dom.js";
import { settings, timeOfDay } from "../units.js";

const OLD_ms = 14 * 24 * 3600 * 1000;

export class Draft {
  // name: of the form; before: its initial content, so that a draft is dropped if the content was
  // changed elsewhere meanwhile. more: {get(), set(kept)} for values without a field.
  constructor(name, before, more) {
    this.key = `evenwall-draft:${settings().units}:${name}`;
    this.before = JSON.stringify(before ?? null);
    this.more = more;
  }

  watch(form) {
    this.form = form;
    const keep = () => this.keep();
    form.addEventListener("input", keep);
    form.addEventListener("change", keep);
  }

  keep() {
    if (!this.form?.isConnected) return;
    const values = [...this.form.querySelectorAll("input[id], select[id], textarea[id]")]
      .filter((field) => field.type !== "file")
      .map((field) => [field.id, field.type === "checkbox" ? field.checked : field.value]);
    const kept = { at_ms: Date.now(), before: this.before, values, more: this.more?.get() };
    try {
      localStorage.setItem(this.key, JSON.stringify(kept));
    } catch {
      // A phone may refuse to store anything; the form works nevertheless.
    }
  }

  drop() {
    this.form = null;
    try {
      localStorage.removeItem(this.key);
    } catch {
      // In that case nothing was stored.
    }
  }

  // Fills the form with the stored text; returns a line that says so, or null. again(): opens the form
  // again.
  fill(form, again) {
    const kept = this.read();
    if (!kept) return null;
    for (const [id, value] of kept.values) {
      const field = form.querySelector(`#${CSS.escape(id)}`) ?? grown(form, id);
      if (!field) continue;
      if (field.type === "checkbox") field.checked = value;
      else field.value = value;
      // A choice creates the fields that depend on it; they come later in `values`.
      if (field.tagName === "SELECT" || field.type === "checkbox") field.dispatchEvent(new Event("change"));
    }
    if (kept.more) this.more?.set(kept.more);
    const afresh = () => { this.drop(); again(); };
    return h("div", { class: "draft" },
      h("p", { class: "why", role: "status" }, `What you typed at ${timeOfDay(new Date(kept.at_ms).toISOString())} was restored.`),
      h("button", { type: "button", class: "small", onclick: afresh }, "Begin afresh"));
  }

  read() {
    try {
      const kept = JSON.parse(localStorage.getItem(this.key));
      const good = kept && Array.isArray(kept.values) && kept.before === this.before && Date.now() - kept.at_ms < OLD_ms;
      return good ? kept : null;
    } catch {
      return null;
    }
  }
}

// A row that was added: its button is pressed until the field exists.
function grown(form, id) {
  const button = form.querySelector("[data-grows]");
  if (!button || !new RegExp(button.dataset.grows).test(id)) return null;
  for (let n = 0; n < 40 && !form.querySelector(`#${CSS.escape(id)}`); n += 1) button.click();
  return form.querySelector(`#${CSS.escape(id)}`);
}
