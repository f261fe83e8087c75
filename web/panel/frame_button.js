// What the button at the frame does now, beside the page's own: a hand needs no glass.

import { h } from "./dom.js";

const LIGHTS = {
  ready: "green light", asking: "green light flashing", turning: "amber light",
  moves_next: "amber light flashing: the press moves the frame", act_now: "red light flashing", off: "no light",
};

export function drawFrameButton(box, button) {
  box.hidden = !button || !(button.short || button.long);
  if (box.hidden) return;
  const does = [];
  if (button.short) does.push(`press: ${lower(button.short)}`);
  if (button.long) does.push(`hold: ${lower(button.long)}`);
  box.replaceChildren(h("b", {}, "At the frame"), ` ${does.join(" · ")} (${LIGHTS[button.light]})`);
}

const lower = (words) => words.charAt(0).toLowerCase() + words.slice(1);
