// The job sheet: receives messages from the rig, draws them, and sends a person's commands.

import { attend, announce } from "./attention.js";
import { byId, h, hide, mark, say } from "./dom.js";
import { Down } from "./down.js";
import { Drafts } from "./drafts.js";
import { Forms } from "./forms.js";
import { drawFrameButton } from "./frame_button.js";
import { Heat } from "./heat.js";
import { forgetInks } from "./ink.js";
import { Line } from "./line.js";
import { clock, dress, onSettings, settings, shown } from "./units.js";
import { readAloud } from "./voice.js";
import { drawWall } from "./wall.js";
import { Written } from "./written.js";

const STEPS = [
  ["weigh", "weigh"], ["mix", "mix"], ["degas", "degas"], ["pour", "pour"], ["close_up", "close up"],
  ["spin", "turning"], ["park", "parking"], ["rest", "resting"],
];
const LAST_STEPS = [["cure", "cure"], ["demould", "open the mould"], ["measure", "measure"]];
const REST_ms = 80;
const TOGETHER_ms = 15;
const SOON_ms = 150;
const OLD_ms = 5000;
const IDLE = ["idle", "done", "abandoned"];

let seen = null;
let samples = [];
let asked = null;
let drawn_ms = -Infinity;
let bench = null;
let sending = false;

const line = new Line({ onItem: take, onPairing: () => openBench("people"), onMe: drawSoon });
const heat = new Heat(byId("heat"));
const down = new Down(byId("down"));
const drafts = new Drafts(line, () => seen?.step_id ?? null);
const tick = (index, done) => line.command("tick", { index, done }).then(() => true, (error) => {
  answer(error.message, false);
  return false;
});
const forms = new Forms(byId("form"), { onChange: drawSoon, send, drafts, tick });
const written = new Written(byId("written"), { send, drafts });

// --- messages from the rig ----------------------------------------------------------------------

function take(kind, data) {
  if (kind === "snapshot" && !takeSnapshot(data)) return;
  if (kind === "sample") takeSample(data);
  if (kind === "event") takeEvent(data);
  // A countdown is drawn once a second. A sample that comes shortly before is drawn in the same frame.
  if (kind !== "sample" || left_s() === null || changes_ms() > SOON_ms) drawSoon();
}

// The rig sends its whole state several times a second, and usually only its clock and its angles have
// changed: these are drawn with the next sample or the next second of the countdown. A phone that was
// unpaired loses its buttons at once.
let still = "";
function somethingHappened(next) {
  const { mode, guard_closed: closed, faults, paused } = next.frame;
  const before = still;
  still = JSON.stringify({ ...next, now_s: 0, utc: "", last_event_id: 0, probe_degC: 0, room_degC: 0, mould_degC: 0, replay: null,
    frame: [mode, closed, faults, paused], role: line.me.role });
  return still !== before;
}

function takeSnapshot(next) {
  const before = seen;
  seen = next;
  heat.seen = next;
  if (next.run_id !== (before?.run_id ?? null)) changeRun();
  if (before && next.step_id !== before.step_id) turnOver(next);
  attend(next);
  readAloud(next);
  bodyView?.turn(next.frame);
  return somethingHappened(next);
}

// Another step: its sentence must be visible, and earlier answers are out of date.
function turnOver(next) {
  if (next.next_button) announce();
  answer("", true);
  const writing = byId("written").contains(document.activeElement);
  if (!byId("job").hidden && !writing) byId("sheet").scrollIntoView();
}

function takeSample(row) {
  if (samples.length && row.sample_id <= samples.at(-1).sample_id) return;
  samples.push(row);
  down.add(row);
  if (seen && row.at_s >= seen.now_s) {
    seen = { ...seen, now_s: row.at_s, probe_degC: row.probe_degC, room_degC: row.room_degC, mould_degC: row.mould_degC };
    heat.seen = seen;
  }
}

function takeEvent(event) {
  if (event.kind === "touched" && event.run_id === seen?.run_id) {
    heat.marks.push({ at_s: event.at_s, what: event.data.what });
  }
  if (event.kind === "touch_taken_back" && event.run_id === seen?.run_id) heat.marks.pop();
}

// Another run: its curve so far, its marks and its plan are fetched once; the stream continues from
// there.
async function changeRun() {
  samples = [];
  heat.samples = samples;
  heat.marks = [];
  heat.view = "coat";
  down.clear();
  down.opening = null;
  written.clear();
  heat.proven = null;
  const run = seen.run_id;
  if (run === null) return;
  const [curve, events, plan, proven] = await Promise.all([
    line.get(`/api/curve?run_id=${run}`).catch(() => []),
    line.get(`/api/runs/${run}/events`).catch(() => []),
    line.get(`/api/runs/${run}/plan`).catch(() => null),
    provenCurve(run).catch(() => null),
  ]);
  if (seen.run_id !== run) return;
  const live = samples;
  samples = [];
  heat.samples = samples;
  down.clear();
  for (const row of [...curve, ...live]) takeSample(row);
  heat.marks = [];
  events.forEach(takeEvent);
  heat.proven = proven;
  if (plan) down.opening = inMouldFrame(plan.geometry.opening.direction, plan.casting.mount.minor_axis);
  drawSoon();
}

// For a replay: the probe's readings in the run that it repeats, by coat.
async function provenCurve(run) {
  const { replay_of: proven } = await line.get(`/api/runs/${run}`);
  return proven && line.get(`/api/curve?run_id=${encodeURIComponent(proven)}&points=3000`);
}

// Turn the mesh's own axes so that the minor axis points up.
function inMouldFrame([x, y, z], [a, b, c]) {
  const long = Math.hypot(a, b, c);
  const up = [a / long, b / long, c / long];
  if (up[2] < -0.999999) return [x, -y, -z];
  const [p, q] = [up[0], up[1]];
  const k = 1 / (1 + up[2]);
  return [
    (1 - p * p * k) * x - p * q * k * y - p * z,
    -p * q * k * x + (1 - q * q * k) * y - q * z,
    p * x + q * y + up[2] * z,
  ];
}

// --- drawing ------------------------------------------------------------------------------------

// A dozen drawings a second are enough, however fast a simulated rig sends; messages that come together
// are drawn together. No animation frame is used, because it costs a frame even if nothing has changed.
function drawSoon() {
  asked ??= setTimeout(() => {
    asked = null;
    if (document.hidden) return;
    drawn_ms = performance.now();
    draw();
  }, Math.max(TOGETHER_ms, drawn_ms + REST_ms - performance.now()));
}
document.addEventListener("visibilitychange", drawSoon);

function draw() {
  if (!seen) {
    if (line.me.role !== "none" || line.stale) say(byId("sentence"), "Not hearing from the rig.");
    return;
  }
  const running = seen.run_id !== null;
  drawHead(running);
  drawNow();
  drawButtons();
  hide(byId("columns"), !running);
  if (!running || byId("job").hidden) return;
  forms.draw(seen, line.mayAct);
  drafts.show(seen.drafts);
  drawOnce("wall", byId("wall"), [seen.coats, seen.wall, seen.live_wall, settings().units, innerWidth], () => drawWall(byId("wall"), seen));
  drawCurves();
  drawReplay();
  written.draw(seen, line.mayAct);
}

// The two canvases cost the most: they are drawn only while they are on the screen, and only when they
// change. Their words are always written.
const inView = new Set();
const watcher = new IntersectionObserver((entries) => {
  for (const entry of entries) inView[entry.isIntersecting ? "add" : "delete"](entry.target.id);
  drawSoon();
});
for (const id of ["heat", "down"]) watcher.observe(byId(id));

function drawCurves() {
  const { gel, coat, peak_limit_degC: limit, speed } = seen;
  const second = Math.floor(performance.now() / 1000);
  const around = [settings(), innerWidth, heat.proven?.length];
  const told = [gel.low_s, gel.high_s, gel.called_at_s, gel.predicted.length, gel.sentence, seen.replay?.sentence];
  if (!inView.has("heat")) heat.tell(heat.met_s());
  else drawOnce("heat", null, [samples.length, heat.marks.length, told, coat, limit, speed, second, around], () => heat.draw());
  if (!inView.has("down")) down.tell(seen.frame);
  else drawOnce("down", null, [second, around], () => down.draw(seen));
}

let replayView = null;
async function drawReplay() {
  hide(byId("again"), !seen.replay);
  if (!seen.replay) return;
  replayView ??= import("./late/replay.js");
  const { drawLive } = await replayView;
  const met_s = seen.coats[seen.coat - 1]?.parts_met_s;
  if (seen.replay && met_s !== null) drawOnce("again", null, [seen.replay, settings().units], () => drawLive(byId("again-now"), seen.replay, seen.now_s - met_s));
}

const drawn = new Map();
function drawOnce(name, _box, on, how) {
  const stamp = JSON.stringify(on);
  if (drawn.get(name) === stamp) return;
  drawn.set(name, stamp);
  how();
}

function drawHead(running) {
  say(byId("job-name"), running ? seen.casting : "Evenwall", { verbatim: true });
  say(byId("job-coat"), running && seen.coat ? `coat ${seen.coat} of ${seen.coats.length}` : "");
  hide(byId("stamp"), !seen.simulated);
  say(byId("stamp"), seen.speed === 1 ? "simulated" : `simulated ×${seen.speed}`);
}

function drawNow() {
  const stale = line.stale;
  document.documentElement.classList.toggle("stale", stale);
  const sentence = stale
    ? `Not hearing from the rig since ${line.heardAt.toLocaleTimeString([], { hour12: false })}.`
    : shown(seen.sentence);
  say(byId("sentence"), sentence);
  byId("sentence").classList.toggle("long", sentence.length > 56);
  say(byId("why"), stale ? whileLost() : seen.why);
  drawCountdown(stale, sentence);
  const said = `${seen.sentence} ${seen.why}`; // text that is already there is not repeated
  drawOnce("alerts", null, [seen.alerts, said, settings().units], () => byId("alerts").replaceChildren(
    ...seen.alerts.filter((a) => !said.includes(a.sentence) && a.sentence !== seen.spin_offer?.sentence).map((a) => h("p", { class: `alert ${a.severity}` }, h("b", {}, a.sentence)))));
  drawOffer();
  drawOnce("frame-button", null, [seen.frame_button, seen.simulated, line.mayAct, settings().units], () => drawFrameButton(byId("frame-button"), seen.frame_button,
    seen.simulated && line.mayAct ? (what) => send("simulate", { what }, null) : null));
  drawOnce("steps", null, [seen.step, seen.coat, seen.coats.length], drawSteps);
}

// An offered change of the spin: its reason and its gain, a button to take it and one to leave it, and
// the time until it lapses by itself.
function drawOffer() {
  const offer = seen.spin_offer;
  hide(byId("offer"), !offer);
  drawOnce("offer", null, [offer, line.mayAct, settings().units], () => byId("offer").replaceChildren(...(offer ? [
    h("p", { id: "offer-words" }, h("b", {}, shown(offer.sentence))),
    h("p", { id: "offer-time" }),
    h("p", { class: "also" }, ...(line.mayAct ? offer.buttons : []).map(madeButton)),
  ] : [])));
  if (offer) say(byId("offer-time"), `The planned spin goes on by itself in ${clock(Math.max(0, offer.until_s - line.now_s))}.`);
}

// Text for a step while the connection is lost: only a turning frame goes on by itself.
function whileLost() {
  const look = "Look at the rig, not at this page.";
  const { mode, paused, guard_closed: closed, faults } = seen.frame;
  const turns = mode !== "disabled" && closed && !paused && !faults.length;
  if (seen.step === "spin" && turns) return `The frame goes on by itself as planned. ${look}`;
  if (seen.countdown) return `The clock goes on by the time of this phone. ${look}`;
  return `Buttons on this page do not reach the rig now. ${look}`;
}

function drawCountdown(stale, sentence) {
  const count = seen.countdown;
  hide(byId("count"), !count);
  if (!count) {
    entitle(`${sentence} · Evenwall`);
    spoken(sentence);
    return;
  }
  const left_s = count.until_s - line.now_s;
  // A deadline runs out and then counts on; a wait simply ends.
  const acting = count.kind === "act";
  byId("count").classList.toggle("waiting", !acting);
  const over = acting && left_s < 0;
  const time = `${over ? "+" : ""}${clock(acting ? left_s : Math.max(0, left_s))}`;
  byId("count").classList.toggle("over", over);
  say(byId("count-time"), time);
  say(byId("count-label"), `${over ? "late" : count.label}${stale ? ", by this phone" : ""}`);
  // For screen readers and in the title only whole minutes; otherwise a screen reader would never stop.
  const minutes = Math.max(0, Math.ceil(left_s / 60));
  entitle(`${over ? "late" : `${minutes} min`} · ${sentence} · Evenwall`);
  spoken(over ? `${sentence} Time is up.` : `${sentence} ${minutes} min ${count.label}.`);
}

// Setting the title costs work in the browser's main process even if it is unchanged.
function entitle(title) {
  if (document.title !== title) document.title = title;
}

function spoken(text) {
  say(byId("said"), text);
}

function drawSteps() {
  const list = byId("steps");
  list.hidden = IDLE.includes(seen.step) || seen.step === "prepare";
  const last = LAST_STEPS.some(([step]) => step === seen.step);
  const steps = last ? LAST_STEPS : STEPS;
  list.setAttribute("aria-label", last ? "After the last coat" : `The steps of coat ${seen.coat}`);
  const at = steps.findIndex(([step]) => step === seen.step);
  list.replaceChildren(...steps.map(([, word], i) =>
    h("li", { class: i < at ? "did" : null, "aria-current": i === at ? "step" : null }, word)));
}

function drawButtons() {
  const button = rightButton();
  const next = byId("next");
  const atFrame = Boolean(button?.atFrame); // a step that only the frame's button can do is not a button here
  hide(next, !line.mayAct || !button || atFrame);
  hide(byId("at-frame"), !atFrame);
  if (atFrame) drawOnce("at-frame", null, button, () => byId("at-frame").replaceChildren(
    h("b", {}, "→ Button at the frame"), h("span", {}, button.label), h("small", {}, button.wait)));
  say(next, button?.label ?? "");
  mark(next, "aria-disabled", String(Boolean(button?.why)));
  if (refusal !== null && refusal !== button?.why) refuse(button?.why ?? ""); // some of it is done
  hide(byId("stop"), !line.mayAct);
  drawOnce("also", null, [seen.buttons, line.mayAct, seen.step_id, settings().units], () => byId("also").replaceChildren(
    ...(["done", "abandoned"].includes(seen.step) ? [h("a", { class: "button", href: `#run/${seen.run_id}` }, "This run and its result")] : []),
    ...(line.mayAct ? [] : [h("a", { class: "button", href: "#people" }, "This page may watch. Pair it to act")]),
    ...(line.mayAct ? seen.buttons : []).filter((b) => !["note", "abandon"].includes(b.command)).map((b) =>
      madeButton(b))));
}

// A button that ends a coat's turning must be held: a touch of a glove does nothing.
function madeButton(b) {
  if (!b.hold_s) return h("button", { type: "button", "aria-disabled": String(!b.enabled), onclick: () => press(b) }, b.label);
  const box = h("button", { type: "button", class: "hold", "aria-disabled": String(!b.enabled) }, `Hold: ${b.label}`);
  let timer = null;
  const end = () => { clearTimeout(timer); timer = null; box.classList.remove("held"); };
  const begin = () => {
    if (timer !== null) return;
    box.classList.add("held");
    timer = setTimeout(() => { end(); press(b); }, b.hold_s * 1000);
  };
  box.style.setProperty("--hold", `${b.hold_s}s`);
  box.addEventListener("pointerdown", begin);
  for (const kind of ["pointerup", "pointerleave", "pointercancel"]) box.addEventListener(kind, end);
  box.addEventListener("contextmenu", (event) => event.preventDefault());
  box.addEventListener("keydown", (event) => { if (event.key === " " || event.key === "Enter") begin(); });
  box.addEventListener("keyup", end);
  box.addEventListener("blur", end);
  return box;
}

function press(button) {
  if (!button.enabled) answer(button.why_not, false);
  else send(button.command, button.data);
}

// The next step on any page: {label, why (reason to wait), press()}.
function rightButton() {
  const running = !IDLE.includes(seen.step);
  if (!byId("bench").hidden) {
    const back = { label: running ? "Back to the job" : "Back to the sheet", press: goTo("") };
    return running && !bench?.action?.anytime ? back : bench?.action ?? back; // planning may go on meanwhile
  }
  if (!running) return { label: "Choose a casting", press: goTo("castings") };
  const button = seen.next_button;
  if (button?.at_frame) {
    const wait = seen.frame_button?.short ? "" : button.why_not; // reason why a press there must wait
    return { label: button.label, atFrame: true, wait };
  }
  return button && { label: button.label, why: whyNot(button), press: () => send(button.command, button.data) };
}

const goTo = (page) => () => { location.hash = page; };

function whyNot(button) {
  if (line.stale) return "The rig cannot be reached from this page now.";
  forms.draw(seen, line.mayAct); // a press may come before a new step is drawn
  return forms.why() || (button.enabled ? "" : button.why_not || "Not yet.");
}

// --- commands -----------------------------------------------------------------------------------

async function send(name, data = {}, stepId = seen?.step_id || null) {
  try {
    const done = await line.command(name, data, stepId);
    answer(done.sentence, true);
    return true;
  } catch (error) {
    if (error.confirm) return (await ask(error.message)) ? send(name, { ...data, confirmed: true }, stepId) : false;
    answer(error.status ? error.message : `The command could not be sent: the rig cannot be reached from this page. ${name === "stop_turning" ? "Use the stop at the rig." : ""}`, false);
    return false;
  }
}

let answered = null;
let refusal = null; // reason why the button had to wait, while it is shown
function answer(sentence, good) {
  refusal = null;
  asking?.(false);
  const box = byId("answer");
  box.classList.toggle("no", !good);
  say(box, sentence);
  clearTimeout(answered);
  answered = setTimeout(() => answer("", true), 8000);
}

// A question from the rig: nothing happens until it is answered; any other press means no.
let asking = null;
function ask(question) {
  answer("", true);
  clearTimeout(answered);
  const box = byId("answer");
  box.classList.add("no");
  return new Promise((resolve) => {
    asking = (yes) => {
      asking = null;
      resolve(yes);
    };
    const reply = (yes) => () => {
      const asked = asking;
      asking = null;
      answer("", true);
      if (asked) resolve(yes);
    };
    box.replaceChildren(h("span", {}, question), " ",
      h("button", { type: "button", id: "ask-yes", onclick: reply(true) }, "Yes"), " ",
      h("button", { type: "button", id: "ask-no", onclick: reply(false) }, "No"));
  });
}

function refuse(why) {
  answer(why, false);
  if (why) refusal = why;
}

byId("stop").addEventListener("click", () => send("stop_turning", {}, null));

byId("next").addEventListener("click", async () => {
  const button = rightButton();
  if (button.why) {
    refuse(button.why);
    return;
  }
  asking?.(false);
  if (sending) return;
  sending = true;
  if (await button.press()) byId("sheet").scrollIntoView();
  sending = false;
});

// --- view in three dimensions, loaded on request ------------------------------------------------

let bodyView = null;
byId("show-body").addEventListener("click", async () => {
  const box = byId("body");
  const open = box.hidden;
  box.hidden = !open;
  byId("show-body").setAttribute("aria-expanded", String(open));
  say(byId("show-body"), open ? "Put the casting away" : "Turn the casting round");
  if (!open) {
    bodyView?.close();
    bodyView = null;
    return;
  }
  box.replaceChildren(h("p", { class: "figures", role: "status" }, "Working out the wall …"));
  try {
    const [{ Body }, mesh] = await Promise.all([import("./late/body.js"), line.get(`/api/mesh/${seen.run_id}`)]);
    bodyView = new Body(box, mesh);
    bodyView.turn(seen.frame);
  } catch (error) {
    box.replaceChildren(h("p", { class: "figures" }, error.message));
  }
});

// --- the bench: simple pages at the foot of the sheet -------------------------------------------

let wanted = null; // page last asked for; two imports under way may end in either order
async function openBench(page) {
  wanted = page;
  const { Bench } = await import("./late/bench.js");
  if (page !== wanted) return;
  bench ??= new Bench(byId("bench"), {
    line, send, back: goTo(""), changed: drawSoon,
  });
  byId("job").hidden = true;
  byId("bench").hidden = false;
  await bench.open(page);
  drawSoon();
}

function turnPage() {
  const page = decodeURIComponent(location.hash.slice(1));
  for (const link of document.querySelectorAll(".foot a")) {
    const here = link.getAttribute("href").slice(1) === page.split("/")[0];
    if (here) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  const pairing = page.startsWith("pair=");
  if (page && (pairing || line.me.role !== "none" || page === "settings")) {
    openBench(page);
    return;
  }
  wanted = null;
  byId("bench").hidden = true;
  byId("job").hidden = false;
  drawn.clear();
  drawSoon();
}

function look() {
  dress();
  forgetInks();
  drawn.clear();
  written.drawn = null;
  bench?.redraw?.();
  drawSoon();
}

// --- start --------------------------------------------------------------------------------------

addEventListener("hashchange", turnPage);
addEventListener("resize", drawSoon);
onSettings(look);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", look);
document.fonts?.ready.then(look);
// Without a countdown nothing on the page changes by itself except when the connection is lost. A
// countdown changes once a second.
const LOOKS_ms = 500;
let wasStale = true;
let second = null;
function left_s() {
  return seen?.countdown ? seen.countdown.until_s - line.now_s : null;
}
// Time until the countdown's figure changes.
function changes_ms() {
  const half_s = left_s() + 0.5;
  return (1000 * (half_s - Math.floor(half_s))) / line.rig.speed + TOGETHER_ms;
}
function watchClock() {
  const left = left_s();
  const shows = left === null ? null : Math.round(left);
  const old = seen?.run_id && !line.stale && performance.now() - drawn_ms > OLD_ms; // temperatures of a run at rest
  if (line.stale !== wasStale || shows !== second || old) drawSoon();
  wasStale = line.stale;
  second = shows;
  // Next draw when the figure changes, so that there are few frames in a second.
  const next_ms = left === null ? LOOKS_ms : changes_ms();
  setTimeout(watchClock, Math.max(REST_ms, Math.min(LOOKS_ms, next_ms)));
}
watchClock();

const first = byId("seen");
if (first) line.hear("snapshot", JSON.parse(first.textContent));
look();
await line.start(seen?.last_event_id ?? null);
turnPage();
drawSoon();

if ("serviceWorker" in navigator) navigator.serviceWorker.register("/sw.js");

// For the browser tests: duration and content of the drawings.
globalThis.evenwall = { heat, line, get samples() { return samples; } };
