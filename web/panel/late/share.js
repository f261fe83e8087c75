// A file that the rig makes on request: shared by the phone's own menu, or saved.

import { h, say } from "../dom.js";
import { settings } from "../units.js";

// A button that fetches a file and then offers it. Sharing and saving need a separate press: a browser
// allows neither some seconds after a press.
export function paperButton(label, path, name) {
  const words = h("span", { role: "status" });
  const offers = h("span", { class: "offers" });
  const press = async () => {
    words.textContent = "Making it …";
    offers.replaceChildren();
    try {
      const file = await fetched(path, name);
      words.textContent = `${name}, ${size(file.size)}`;
      offers.replaceChildren(...offered(file, words));
    } catch (error) {
      say(words, error.message);
    }
  };
  return h("div", { class: "paper" }, h("button", { type: "button", onclick: press }, label), words, offers);
}

async function fetched(path, name) {
  const answer = await fetch(`${path}?units=${settings().units}`).catch(() => null);
  if (answer === null) throw new Error("Not hearing from the rig. Press again.");
  if (!answer.ok) {
    const told = await answer.json().catch(() => ({}));
    throw new Error(typeof told.detail === "string" ? told.detail : "The rig could not make it.");
  }
  const body = await answer.blob();
  return new File([body], name, { type: body.type });
}

function offered(file, words) {
  const save = h("a", { class: "button", href: URL.createObjectURL(file), download: file.name }, "Save");
  if (!navigator.canShare?.({ files: [file] })) return [save];
  const share = h("button", {
    type: "button", onclick: () => navigator.share({ files: [file], title: file.name }).catch((error) => {
      if (error.name !== "AbortError") words.textContent = "This phone could not share the file: save it instead.";
    }),
  }, "Share");
  return [share, save];
}

const size = (bytes) => (bytes < 1e6 ? `${Math.ceil(bytes / 1000)} kB` : `${(bytes / 1e6).toFixed(1)} MB`);
