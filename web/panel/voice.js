// Reads the rig's sentences aloud with the phone's voice, if its owner has chosen this.

import { settings, spoken } from "./units.js";

export const MOMENTS = [
  ["instruction", "what to do now"], ["ahead", "what comes soon"], ["countdown", "time that runs out"],
  ["weighing", "the scale"], ["answer", "what a press at the frame did not do"], ["alert", "alerts"],
];

export const canSpeak = () => "speechSynthesis" in window;
export const voices = () => (canSpeak() ? speechSynthesis.getVoices() : []);

let last = null; // number of the newest sentence that was handled

export function readAloud(seen) {
  const newest = seen.spoken.at(-1)?.number ?? 0;
  const before = last;
  last = newest;
  if (before === null || newest < before) return; // the page or the rig has just started
  if (!settings().speak || !canSpeak()) return;
  for (const line of seen.spoken) {
    if (line.number > before && !settings().unspoken.includes(line.moment)) utter(line.text);
  }
}

export function utter(text) {
  const words = new SpeechSynthesisUtterance(spoken(text));
  words.lang = "en";
  words.volume = settings().loud;
  words.voice = voices().find((v) => v.name === settings().voice) ?? null;
  speechSynthesis.speak(words);
}
