// Text that is typed but not sent yet. The rig keeps it, so that a second phone, or this page after a
// reload, shows it.

const WAIT_ms = 400; // after the last key
const UNDERWAY_ms = 5000; // until the rig returns what was sent, or another phone's text counts

export class Drafts {
  // stepId: the step that is shown; text typed in it does not belong to a later step.
  constructor(line, stepId) {
    this.line = line;
    this.stepId = stepId;
    this.fields = new Map(); // field -> {input, show, read, last}
  }

  // show, read: convert between the rig's figure and this phone's unit; text is unchanged.
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

  // Text from another phone; it never replaces text that is being typed here.
  show(drafts) {
    for (const [id, field] of this.fields) {
      if (!field.input.isConnected) continue;
      const value = drafts?.[id] ?? "";
      // A message that the rig sent before it received the draft would delete the typed text.
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
