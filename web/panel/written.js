// The record: the job's form, filled in during the work, then the record line by line.

import { h, hide, say, table } from "./dom.js";
import { clock, mass, settings, timeOfDay } from "./units.js";

const SHOWN = 8;

export class Written {
  constructor(box, { send, drafts }) {
    this.form = h("div");
    this.lines = h("ol", { class: "lines" });
    this.more = h("button", { type: "button", onclick: () => this.toggle() }, "All lines");
    this.all = false;
    this.rows = new Map(); // event id -> record line
    this.note = asking("note-text", "Add a line", "Write it down", (text) => send("note", { text }));
    this.giveUp = asking("reason", "Why is the casting given up?", "Give it up", (reason) => send("abandon", { reason }));
    this.giveUp.hidden = true;
    this.askGiveUp = h("button", { type: "button", id: "give-up", onclick: () => { this.giveUp.hidden = !this.giveUp.hidden; } }, "Give this casting up …");
    drafts.bind(this.note.querySelector("input"), { always: true });
    box.replaceChildren(this.form, this.lines, h("p", { class: "tools" }, this.more), this.note,
      h("p", { class: "tools" }, this.askGiveUp), this.giveUp);
  }

  toggle() {
    this.all = !this.all;
    say(this.more, this.all ? "Latest lines" : "All lines");
    this.drawn = null;
    this.draw(this.seen, this.mayAct);
  }

  clear() {
    this.rows.clear();
    this.drawn = null;
  }

  draw(seen, mayAct) {
    this.seen = seen;
    this.mayAct = mayAct;
    const may = (name) => mayAct && seen.buttons.some((b) => b.command === name);
    hide(this.note, !may("note"));
    hide(this.askGiveUp, !may("abandon"));
    if (!may("abandon")) this.giveUp.hidden = true;
    for (const line of seen.record) this.rows.set(line.event_id, line);
    const stamp = JSON.stringify([seen.coats, seen.record.at(-1)?.event_id, this.rows.size, this.all, settings().units]);
    if (stamp === this.drawn) return;
    this.drawn = stamp;
    const since = (time_s) => (time_s === null ? "–" : clock(time_s));
    this.form.replaceChildren(table("Times after the two parts met",
      ["coat", "A", "B", "poured", "gelled", "steps"],
      seen.coats.map((c) => [
        c.coat, mass(c.part_a_g), mass(c.part_b_g),
        c.poured_s !== null && c.parts_met_s !== null ? clock(c.poured_s - c.parts_met_s) : "–",
        since(c.gel_detected_s), steps(c),
      ])));
    const rows = [...this.rows.values()].sort((a, b) => a.event_id - b.event_id);
    const shown = this.all ? rows : rows.slice(-SHOWN);
    this.lines.replaceChildren(...shown.map((line) =>
      h("li", {}, h("time", { datetime: line.utc }, timeOfDay(line.utc)), h("span", {}, line.text))));
    this.more.hidden = rows.length <= SHOWN;
  }
}

// One line of text and the button that sends it; cleared once it was accepted.
function asking(id, label, button, send) {
  const text = h("input", { type: "text", id, maxlength: "200", autocomplete: "off" });
  const form = h("form", {}, h("label", { class: "field", for: id }, h("span", {}, label)), text,
    h("p", { class: "tools" }, h("button", { type: "submit" }, button)));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (text.value.trim() && (await send(text.value.trim()))) {
      text.value = "";
      text.dispatchEvent(new Event("input"));
    }
  });
  return form;
}

function steps({ steps_expected: expected, steps_counted: counted }) {
  if (!counted) return "–";
  const exact = expected && expected[0] === counted[0] && expected[1] === counted[1];
  return exact ? "exact" : counted.join(" / ");
}
