// Photographs of a run (gloss, bubbles, the cut edge), kept with its record.

import { h, say } from "../dom.js";
import { newKey } from "../line.js";
import { PICTURES, chooser, fields, pick, text } from "./fields.js";
import { fileName, sendFile } from "./sending.js";

const KINDS = [["gloss", "gloss"], ["bubbles", "bubbles"], ["cut_edge", "the cut edge"], ["whole", "the whole casting"], ["other", "something else"]];

// events: of the run; changed() is called once one more is kept.
export function photosPart(line, runId, events, changed) {
  const kept = events.filter((e) => e.kind === "photographed").map((e) => e.data);
  const shown = kept.map((photo) => h("figure", {},
    h("img", { class: "kept", loading: "lazy", width: photo.width_px, height: photo.height_px, src: `/api/runs/${runId}/photos/${photo.file}`, alt: captionOf(photo) }),
    h("figcaption", {}, captionOf(photo))));
  return h("div", {}, kept.length || line.mayAct ? h("h2", {}, "photographs") : null, shown, line.mayAct ? adding(line, runId, changed) : null);
}

const captionOf = (photo) => `${KINDS.find(([key]) => key === photo.what)?.[1] ?? "photograph"}${photo.text ? `: ${photo.text}` : ""}`;

function adding(line, runId, changed) {
  const file = chooser("run-photo", "Photograph, at most 20 MB", PICTURES);
  const what = pick("run-photo-what", "It shows", KINDS, {});
  const words = text("run-photo-text", "In a few words", { most: 200 });
  const status = h("p", { class: "figures", role: "status" });
  let key = newKey();
  let busy = false;
  const keep = async (event) => {
    event.preventDefault();
    if (busy) return;
    if (!file.get()) {
      status.textContent = "Choose the photograph first.";
      return;
    }
    busy = true;
    try {
      const name = fileName(`photo-${key.slice(0, 13)}`, file.get());
      await sendFile(line, name, file.get(), (_, said) => { status.textContent = said; });
      status.textContent = "Keeping it …";
      await line.post(`/api/runs/${runId}/photos`, { key, file: name, what: what.get(), text: words.get() });
      key = newKey();
      changed();
    } catch (error) {
      say(status, error.message);
    }
    busy = false;
  };
  return h("form", { onsubmit: keep }, fields(file, what, words), status, h("p", { class: "also" }, h("button", { type: "submit" }, "Keep the photograph")));
}
