// The connection to the rig: one stream in, commands out, and the time of the last message.

export const STALE_ms = 3000;
const REOPEN_ms = 4500;
const INSIST_ms = [0, 120, 600, 1200];
const WARM_ms = 60000; // the rig keeps a connection of a paired phone for two minutes

export class Line {
  constructor({ onItem, onPairing, onMe }) {
    this.onItem = onItem; // (kind, data)
    this.onPairing = onPairing; // this phone is not (or no longer) paired
    this.onMe = onMe; // the rights of this phone may have changed
    this.me = { role: "none", csrf: "" };
    this.lastId = null;
    this.heard_ms = -Infinity;
    this.opened_ms = 0;
    this.heardAt = null;
    this.rig = { now_s: 0, at_ms: performance.now(), speed: 1 };
    this.source = null;
    this.warmed_ms = 0;
  }

  start(lastId = null) {
    this.lastId = lastId;
    setInterval(() => this.watch(), 1000);
    addEventListener("online", () => this.watch());
    document.addEventListener("visibilitychange", () => {
      if (!document.hidden && this.stale) this.watch();
    });
    return this.greet();
  }

  // Asks for the rights of this phone; repeated until the rig answers.
  async greet() {
    this.opened_ms = performance.now();
    try {
      this.me = await this.get("/api/session");
    } catch {
      return;
    }
    this.onMe();
    if (this.me.role === "none") this.onPairing();
    else this.open();
  }

  open() {
    this.source?.close();
    this.opened_ms = performance.now();
    const after = this.lastId === null ? "" : `?after=${this.lastId}`;
    this.source = new EventSource(`/api/stream${after}`);
    for (const kind of ["snapshot", "sample", "event", "beat"]) {
      this.source.addEventListener(kind, (message) => this.take(kind, message));
    }
    // The browser's own retry is not used: first ask whether this phone is still paired.
    this.source.onerror = () => this.source.close();
  }

  take(kind, message) {
    if (message.lastEventId) this.lastId = message.lastEventId;
    this.hear(kind, JSON.parse(message.data));
  }

  // kind: snapshot, sample, event, or the beat that only shows that the connection is alive.
  hear(kind, data) {
    this.heard_ms = performance.now();
    this.heardAt = new Date();
    if (kind === "snapshot") this.rig.speed = data.speed;
    if (kind === "snapshot" || kind === "beat") {
      this.rig = { ...this.rig, now_s: data.now_s, at_ms: this.heard_ms };
    }
    if (kind !== "beat") this.onItem(kind, data);
  }

  get stale() {
    return performance.now() - this.heard_ms > STALE_ms;
  }

  // The rig's clock now, continued by this phone's clock between two messages.
  get now_s() {
    return this.rig.now_s + ((performance.now() - this.rig.at_ms) / 1000) * this.rig.speed;
  }

  // A silent connection is opened again and resumes where it was.
  watch() {
    const quiet_ms = performance.now() - Math.max(this.heard_ms, this.opened_ms);
    if (quiet_ms > REOPEN_ms || this.source?.readyState === EventSource.CLOSED) this.greet();
    else if (performance.now() - this.warmed_ms > WARM_ms) this.keepWarm();
  }

  // A connection beside the stream stays open, so that a press need not wait for a new one.
  keepWarm() {
    this.warmed_ms = performance.now();
    if (this.mayAct) this.get("/api/session").catch(() => {});
  }

  get mayAct() {
    return this.me.role === "operate";
  }

  async get(path) {
    return answerOf(await fetch(path, { headers: { accept: "application/json" } }));
  }

  async post(path, body = {}) {
    return answerOf(
      await fetch(path, {
        method: "POST",
        headers: { "content-type": "application/json", "x-evenwall-csrf": this.me.csrf ?? "" },
        body: JSON.stringify(body),
      }),
    );
  }

  // One press has one key, however often the request has to be sent.
  async command(name, data = {}, stepId = null) {
    const body = { key: newKey(), step_id: stepId, data };
    const path = `/api/command/${name}`;
    if (name === "stop_turning") return this.insist(path, body);
    try {
      return await this.post(path, body);
    } catch (error) {
      if (error instanceof Refusal) throw error;
      return this.post(path, body); // the connection broke: the key makes a second attempt safe
    }
  }

  // The stop is sent again until it is answered, even while the first request is under way.
  insist(path, body) {
    return new Promise((resolve, reject) => {
      let open = INSIST_ms.length;
      const end = (tell, value) => {
        timers.forEach(clearTimeout);
        tell(value);
      };
      const say = () =>
        this.post(path, body).then(
          (done) => end(resolve, done),
          (error) => {
            open -= 1;
            if (error instanceof Refusal || open === 0) end(reject, error);
          },
        );
      const timers = INSIST_ms.slice(1).map((ms) => setTimeout(say, ms));
      say();
    });
  }
}

export class Refusal extends Error {
  constructor(status, sentence, confirm = false) {
    super(sentence);
    this.status = status;
    this.confirm = confirm; // the rig asks for confirmation: the same command with `confirmed` is accepted
  }
}

async function answerOf(response) {
  const body = await response.json().catch(() => ({}));
  if (response.ok) return body;
  const detail = body.sentence ?? body.detail;
  throw new Refusal(response.status, typeof detail === "string" ? detail : first(detail), body.confirm === true);
}

function first(detail) {
  const wrong = detail?.[0];
  return wrong ? `${wrong.loc.slice(2).join(" ")}: ${wrong.msg}` : "The rig could not do that.";
}

// crypto.randomUUID exists only on secure pages; a shop's network is often plain HTTP.
export function newKey() {
  return crypto.randomUUID?.() ?? [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
}
