// One line per rig, the most urgent first. Words and order come from the server; this script only
// draws.

const SILENT = 2, AWAY = 6;
const list = document.getElementById("rigs");
const first = document.getElementById("first");
const template = document.getElementById("line");
const lines = new Map();
let heard_ms = 0, broker = true;

function clock(seconds) {
  const late = seconds < 0, s = Math.floor(Math.abs(seconds));
  const h = Math.floor(s / 3600), m = Math.floor(s / 60) % 60, two = (n) => String(n).padStart(2, "0");
  return (late ? "late " : "") + (h ? `${h}:${two(m)}` : m) + ":" + two(s % 60);
}

function sentence(card) {
  const now = card.now;
  if (card.rank === AWAY) return "Offline.";
  if (card.rank === SILENT) return "Silent in the middle of a casting. If its frame is turning, it goes on as planned. Go and look.";
  if (!now) return "Connected, no state yet.";
  const act = now.alerts.find((alert) => alert.severity === "act_now");
  return act ? act.sentence : now.sentence;
}

function draw(card) {
  let line = lines.get(card.rig);
  if (!line) {
    line = { item: template.content.firstElementChild.cloneNode(true) };
    for (const name of ["name", "sim", "say", "left", "what"]) line[name] = line.item.querySelector("." + name);
    lines.set(card.rig, line);
    list.append(line.item);
  }
  const now = card.now;
  line.card = card;
  line.at_ms = performance.now();
  line.item.dataset.rank = card.rank;
  line.name.textContent = now ? now.name : card.rig;
  line.sim.hidden = !(now && now.simulated);
  line.say.textContent = sentence(card);
  const parts = now && now.casting ? [now.casting, `coat ${now.coat} of ${now.coats}`, now.step] : [];
  if (now && now.countdown) parts.push(now.countdown);
  if (card.rank === SILENT || card.rank === AWAY) parts.push(`silent for ${clock(card.silent_s)}`);
  line.what.textContent = parts.join(", ");
}

const left = (line) =>
  line.card.left_s === null ? Infinity : line.card.left_s - (performance.now() - line.at_ms) / 1000;

function order() {
  const sorted = [...lines.values()].sort(
    (a, b) => a.card.rank - b.card.rank || left(a) - left(b) || (a.card.rig < b.card.rig ? -1 : 1));
  sorted.forEach((line, at) => {
    if (list.children[at] !== line.item) list.insertBefore(line.item, list.children[at] || null);
    const seconds = left(line);
    const text = Number.isFinite(seconds) && line.card.rank < SILENT + 3 ? clock(seconds) : "";
    if (line.left.textContent !== text) line.left.textContent = text;
  });
  const top = sorted[0];
  if (top || !broker) {
    const text = broker ? `${top.name.textContent}: ${top.say.textContent}` : "The broker is silent: no rig can be heard.";
    if (first.textContent !== text) first.textContent = text;
    document.title = text;
  }
  document.body.classList.toggle("stale", !broker || (heard_ms && performance.now() - heard_ms > 5000));
}

const stream = new EventSource("/api/rigs/stream");
stream.onmessage = (event) => {
  heard_ms = performance.now();
  const view = JSON.parse(event.data);
  broker = view.broker;
  view.cards.forEach(draw);
  order();
};
setInterval(order, 1000);
