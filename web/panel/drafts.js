// What is typed and not sent yet, kept by the rig: a second phone, and this page after a reload, show it.

const WAIT_ms = 400; // after the last key
const UNDERWAY_ms = 5000; // until the rig tells what was sent, or another phone's word counts

export class Drafts {
  // stepId: of the step that is shown; what was typed in it is of no later one.
  constructor(line, stepId) {
    this.line = line;
    this.stepId = stepId;
    this.fields = new Map(); // field -> {input, show, read, last}
  }

  // show, read: between the rig's figure and this phone's unit; text stays as it is.
  bind(input, { show = (value) => value, read = (value) => value, always = false } = {}) {
    const field = { input, show, read, last: "", timer: null, sent: null, sent_ms: 0, step: always ? null : this.stepId() };
    this.fields.set(input.id, field);
    input.addEventListener("input", () => {
      clearTimeout(field.timer);
      field.timer = setTimeout(() => this.keep(field), WAIT_ms);
    });
    return input;
  }

  keep(field) {
    field.timer = null;
    const value = field.input.value === "" ? "" : String(field.read(field.input.value)).slice(0, 200);
    if (value === field.last || !field.input.isConnected) return;
    field.last = value;
    field.sent = value;
    field.sent_ms = performance.now();
    this.line.command("draft", { field: field.input.id, value }, field.step).catch(() => { field.sent = null; });
  }

  // What another phone typed; never over what is being typed here.
  show(drafts) {
    for (const [id, field] of this.fields) {
      if (!field.input.isConnected) continue;
      const value = drafts?.[id] ?? "";
      // A word of the rig from before the draft came there would wipe out what was typed.
      if (value === field.sent || performance.now() - field.sent_ms > UNDERWAY_ms) field.sent = null;
      if (field.sent !== null) continue;
      if (value === field.last || field.timer !== null || document.activeElement === field.input) continue;
      const wasDraft = field.last !== "";
      field.last = value;
      if (value === "" && !wasDraft) continue;
      field.input.value = value === "" ? "" : field.show(value);
      field.input.dispatchEvent(new Event("change"));
    }
  }
}
