// What is typed into a form stays on this phone until it is kept: a reload, a flat battery or a
// broken line loses none of it.

import { h } from "../dom.js";
import { settings, timeOfDay } from "../units.js";

const OLD_ms = 14 * 24 * 3600 * 1000;

export class Draft {
  // name: of the form; before: what it began with, so that a draft of something that was changed
  // elsewhere meanwhile is let go of. more: {get(), set(kept)} of what stands in no field.
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
      // A phone may refuse to keep anything; the form works all the same.
    }
  }

  drop() {
    this.form = null;
    try {
      localStorage.removeItem(this.key);
    } catch {
      // Nothing was kept either.
    }
  }

  // Fills the form with what was typed; gives a line that says so, or null. again(): opens it anew.
  fill(form, again) {
    const kept = this.read();
    if (!kept) return null;
    for (const [id, value] of kept.values) {
      const field = form.querySelector(`#${CSS.escape(id)}`) ?? grown(form, id);
      if (!field) continue;
      if (field.type === "checkbox") field.checked = value;
      else field.value = value;
      // A choice draws the fields that follow from it; they come later in `values`.
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

// A row that was added: its button is pressed until the field is there.
function grown(form, id) {
  const button = form.querySelector("[data-grows]");
  if (!button || !new RegExp(button.dataset.grows).test(id)) return null;
  for (let n = 0; n < 40 && !form.querySelector(`#${CSS.escape(id)}`); n += 1) button.click();
  return form.querySelector(`#${CSS.escape(id)}`);
}
