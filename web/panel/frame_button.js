// Shows what the button at the frame does now, beside the page's own buttons.

import { h } from "./dom.js";

const LIGHTS = {
  ready: "green light", asking: "green light flashing", turning: "amber light",
  moves_next: "amber light flashing: the press moves the frame", act_now: "red light flashing", off: "no light",
};

// sim: function for a press at a simulated frame, or null for a real frame.
export function drawFrameButton(box, button, sim) {
  // The guard of a simulated frame can be opened even while its button does nothing.
  box.hidden = !button || !(button.short || button.long || sim);
  if (box.hidden) return;
  const does = [];
  if (button.short) does.push(`press: ${lower(button.short)}`);
  if (button.long) does.push(`hold: ${lower(button.long)}`);
  if (!does.length) does.push("nothing to press now");
  box.replaceChildren(h("b", {}, "At the frame"), " ", h("span", {}, `${does.join(" · ")} (${LIGHTS[button.light]})`));
  if (!sim) return;
  const hand = (label, what) => h("button", { type: "button", class: "simulated", onclick: () => sim(what) }, label);
  box.append(h("span", { class: "tools" }, h("b", {}, "Simulated frame: "),
    button.short ? hand("Press its button", "button") : null, button.long ? hand("Hold its button", "hold") : null,
    hand("Open or close its guard", "guard")));
}

const lower = (words) => words.charAt(0).toLowerCase() + words.slice(1);
