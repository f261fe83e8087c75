// Attracts a person's attention: a sound, a vibration, and a screen that stays awake during a run.

import { settings } from "./units.js";

let speaker = null;
let sounding = 0; // tones that are still to be heard
let lock = null;
let asking = false;
let heard = new Set();

// Browsers let a page make sound only after a touch, wherever it is. An open audio output uses the
// processor all the time, so it is suspended until there is something to play.
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

// A step that needs a person is announced once.
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
      lock = null; // the phone refuses, for instance on a low battery; it is asked again with the next message
    } finally {
      asking = false;
    }
  } else if (lock && !(wanted && settings().awake)) {
    lock.release();
  }
}
