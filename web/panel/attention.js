// Getting hold of a person: a sound, a shake, and a screen that stays awake while a run is on.

import { settings } from "./units.js";

let speaker = null;
let sounding = 0; // tones that are still to be heard
let lock = null;
let asking = false;
let heard = new Set();

// Browsers let a page make sound only after a touch; any touch will do. An open speaker costs work all
// the time, so it sleeps until there is something to hear.
addEventListener("pointerdown", async () => {
  if (speaker) return;
  speaker = new AudioContext();
  await speaker.resume();
  if (!sounding) speaker.suspend();
}, { passive: true });

export function attend(seen) {
  const now = new Set(seen.alerts.filter((a) => a.severity !== "note").map((a) => a.kind + a.since_s));
  for (const alert of seen.alerts) {
    const name = alert.kind + alert.since_s;
    if (now.has(name) && !heard.has(name)) call(alert.severity === "act_now" ? 3 : 1);
  }
  heard = now;
  stayAwake(seen.run_id !== null && !["done", "abandoned", "idle"].includes(seen.step));
}

// A step that wants hands is announced once.
export function announce() {
  call(1);
}

async function call(times) {
  if (settings().vibration && navigator.userActivation?.hasBeenActive) navigator.vibrate?.(Array.from({ length: times }, () => [220, 120]).flat());
  if (!settings().sound || !speaker) return;
  sounding += times;
  await speaker.resume();
  for (let i = 0; i < times; i++) {
    const start = speaker.currentTime + i * 0.42;
    const tone = new OscillatorNode(speaker, { frequency: 740, type: "triangle" });
    const volume = new GainNode(speaker, { gain: 0 });
    volume.gain.setTargetAtTime(0.5, start, 0.01);
    volume.gain.setTargetAtTime(0, start + 0.22, 0.04);
    tone.connect(volume).connect(speaker.destination);
    tone.start(start);
    tone.stop(start + 0.4);
    tone.onended = () => {
      sounding -= 1;
      if (!sounding) speaker.suspend();
    };
  }
}

export function tryOut() {
  call(2);
}

export const canStayAwake = () => "wakeLock" in navigator;

async function stayAwake(wanted) {
  if (!canStayAwake()) return;
  if (wanted && settings().awake && !lock && !asking && !document.hidden) {
    asking = true;
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
    } catch {
      lock = null; // the phone says no, on low battery for one; it is asked again with the next word
    } finally {
      asking = false;
    }
  } else if (lock && !(wanted && settings().awake)) {
    lock.release();
  }
}
