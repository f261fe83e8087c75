// The bench: simple pages with one picture and one table each.

import { callMe, callMeNoMore, canBeCalled, isCalled } from "../calls.js";
import { MOMENTS, canSpeak, utter, voices } from "../voice.js";
import { h, say, table } from "../dom.js";
import { canStayAwake, tryOut } from "../attention.js";
import { choose, clock, dayAndTime, length, lengthFrom, lengthTo, lengthUnit, mass, minutes, settings, temp, timeOfDay, tempFrom, tempTo, tempUnit } from "../units.js";
import { number } from "../forms.js";
import { wallError } from "../wall.js";
import { photosPart } from "./photos.js";
import { fourSides, spins, timeline } from "./pictures.js";
import { slug } from "./sending.js";
import { paperButton } from "./share.js";

// File name of a paper on the phone: the casting and the kind of paper.
const paperName = (casting, what) => `${slug(casting) || "casting"}-${what}`;

export class Bench {
  constructor(box, desk) {
    this.box = box;
    this.action = null; // action of the right one of the two buttons: {label, press()}
    this.shown = null; // action of the page that is shown
    Object.assign(this, desk); // line, send(), back(), changed()
  }

  async open(page) {
    const [name, ...rest] = page.split("/");
    const pages = { castings: "castings", plan: "plan", plans: "plans", runs: "runs", run: "run", mount: "mount", prove: "prove", people: "people", settings: "settings" };
    this.page = page;
    this.action = this.shown = null;
    this.redraw = null;
    const inLibrary = /^(new|edit|copy)-(casting|resin)$|^resins$/.test(name);
    try {
      const made = inLibrary ? await this.library(name, rest[0]) : page.startsWith("pair=") ? await this.pair(page.slice(5)) : await this[pages[name] ?? "castings"](...rest);
      if (this.page === page) this.show(made);
      else this.action = this.shown; // it came too late: another page is shown
    } catch (error) {
      if (this.page === page) this.show([h("h1", {}, "That did not work."), h("p", { class: "why" }, error.message)]);
    }
  }

  show(parts) {
    this.box.replaceChildren(...parts.filter(Boolean));
    this.shown = this.action;
    this.changed();
    const title = this.box.querySelector("h1");
    title.tabIndex = -1;
    title.focus({ preventScroll: true });
    scrollTo(0, 0);
  }

  // --- castings and the plan ---------------------------------------------------------------------

  async castings() {
    const cards = await this.line.get("/api/castings");
    return [
      h("h1", {}, "Choose a casting."),
      h("ul", { class: "choices" }, cards.map((card) =>
        h("li", {}, h("a", { class: "button", href: `#plan/${card.casting_id}` },
          h("span", {}, h("b", { verbatim: true }, card.name), h("small", { verbatim: true }, card.resin)),
          h("span", {}, `${length(card.wall_mm)} wall`))))),
      cards.length ? null : h("p", { class: "why" }, "There is no casting here yet."),
      h("p", { class: "also" }, h("a", { class: "button", href: "#plans" }, "Plans")),
      this.line.mayAct ? h("p", { class: "also" }, h("a", { class: "button", href: "#new-casting" }, "New casting"), h("a", { class: "button", href: "#resins" }, "Resins")) : null,
    ];
  }

  // Castings and resins that are made and changed on the phone.
  async library(name, id) {
    if (!this.line.mayAct) return [h("h1", {}, "This phone may watch."), h("p", { class: "why" }, "Pair it to act before you change castings and resins.")];
    const { castingPage, resinPage, resinsPage } = await import("./library.js");
    const [mode, what] = name.split("-");
    const again = () => this.open(this.page);
    const made = what === "casting" ? await castingPage(this.line, mode, id, again) : what === "resin" ? await resinPage(this.line, mode, id, again) : await resinsPage(this.line);
    this.action = made.action ?? null;
    return made.parts;
  }

  async plan(castingId, jobId) {
    const cards = await this.line.get("/api/castings");
    const card = cards.find((c) => c.casting_id === castingId);
    if (!card) throw new Error("There is no such casting.");
    if (!jobId) return this.wishes(card, await this.line.get("/api/resins"));
    const job = await this.line.get(`/api/plans/${jobId}`);
    if (job.error) return [h("h1", {}, "No plan was found."), h("p", { class: "why" }, job.error), h("p", { class: "also" }, h("a", { class: "button", href: `#plan/${castingId}` }, "Change the request"))];
    if (!job.done) return this.waiting(job);
    return this.made(job);
  }

  wishes(card, resins) {
    const wall = number("want-wall", `Wall, ${lengthUnit()}`, lengthTo(card.wall_mm).toFixed(lengthUnit() === "mm" ? 1 : 3));
    const coats = number("want-coats", "Coats", "as planned");
    const shop = number("want-shop", `Shop, ${tempUnit()}`, "as in the file");
    const mould = number("want-mould", `Mould, ${tempUnit()}`, "same as the shop");
    const resin = h("select", { id: "want-resin" }, resins.map((r) =>
      h("option", { value: r.resin_id, selected: r.name === card.resin }, r.name)));
    const asFiled = resin.value;
    const lessons = h("select", { id: "want-lessons" },
      h("option", { value: "use" }, "use what they showed"), h("option", { value: "leave" }, "set them aside"));
    const form = h("form", {},
      h("div", { class: "fields" }, wall.label, coats.label, shop.label, mould.label,
        h("label", { class: "field", for: "want-resin" }, h("span", {}, "Resin"), resin),
        h("label", { class: "field", for: "want-lessons" }, h("span", {}, "Measured castings"), lessons)));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const overrides = {};
      if (wall.input.value) overrides.wall_mm = lengthFrom(wall.input.value);
      if (coats.input.value) overrides.coats = Number(coats.input.value);
      if (shop.input.value) overrides.shop = { temp_degC: tempFrom(shop.input.value) };
      if (mould.input.value) overrides.mould = { temp_degC: tempFrom(mould.input.value) };
      if (resin.value !== asFiled) overrides.resin = resin.value;
      try {
        const job = await this.line.post("/api/plans", { casting_id: card.casting_id, overrides, lessons: lessons.value === "use" });
        location.hash = `plan/${card.casting_id}/${job.job_id}`;
      } catch (error) {
        this.refuse(form, error);
      }
    });
    if (this.line.mayAct) this.action = { label: "Make the plan", anytime: true, press: () => form.requestSubmit() };
    return [
      h("h1", { verbatim: true }, card.name),
      h("p", { class: "why" }, "Empty fields keep the values of the casting's file. A new shop temperature also applies to the mould, unless you give one for the mould."),
      this.line.mayAct ? form : h("p", { class: "why" }, "This phone may watch, not plan."),
      this.line.mayAct ? h("p", { class: "also" }, ["edit", "copy"].map((mode) =>
        h("a", { class: "button", href: `#${mode}-casting/${card.casting_id}` }, mode === "edit" ? "Change it" : "Copy it"))) : null,
      h("p", { class: "also" }, h("a", { class: "button", href: `#mount/${card.casting_id}` }, "Ways to mount it")),
    ];
  }

  // Shows the progress of a job until it is over or another page is shown. Text and buttons keep
  // their places: only the bar and its words change.
  follow(address, bar, word, over) {
    const page = this.page;
    const here = () => this.page === page && location.hash.slice(1) === page;
    const look = async () => {
      if (!here()) return;
      const now = await this.line.get(address).catch(() => null);
      if (!here()) return;
      if (!now || over(now)) {
        this.open(page);
        return;
      }
      bar.value = now.fraction;
      say(word, sentenceOf(now));
      setTimeout(look, 500);
    };
    setTimeout(look, 500);
  }

  async mount(castingId, jobId) {
    const card = (await this.line.get("/api/castings")).find((c) => c.casting_id === castingId);
    if (!card) throw new Error("There is no such casting.");
    const { mountingsPage } = await import("./mountings.js");
    const follow = (...what) => this.follow(...what);
    const made = await mountingsPage(this.line, card, jobId, { follow, sentenceOf });
    this.action = made.action ?? null;
    return made.parts;
  }

  waiting(job) {
    const page = this.page;
    const bar = h("progress", { max: "1", value: String(job.fraction), "aria-label": "Progress of the plan" });
    const word = h("p", { class: "why", role: "status" }, sentenceOf(job));
    this.follow(`/api/plans/${job.job_id}`, bar, word, (now) => now.done || now.error || Boolean(now.plan) !== Boolean(job.plan));
    const ask = (what) => async () => {
      try {
        await this.line.post(`/api/plans/${job.job_id}/${what}`);
        this.open(page);
      } catch (error) {
        say(this.box.querySelector("[role=status]"), error.message);
      }
    };
    const tool = (label, what) => h("button", { type: "button", onclick: ask(what) }, label);
    const foot = h("p", { class: "also" },
      this.line.mayAct ? [tool("Use the best so far", "finish"), tool("Cancel", "cancel")] : null,
      h("a", { class: "button", href: "#plans" }, "All plans"));
    if (job.plan && this.line.mayAct) this.action = { label: "Start with this answer", press: this.taking(job, foot) };
    return [
      h("h1", {}, "Planning …"),
      bar, word,
      h("p", { class: "figures" }, askedWords(job), " You may leave this page. The plan will be in the list of plans."),
      foot,
      ...(job.plan ? [h("h2", {}, "a first answer, being refined"),
        this.line.mayAct ? h("p", { class: "why" }, "You may start the list and the weighing now. The full plan takes over before the first pour and never changes the weights.") : null,
        h("p", { class: "figures" }, headline(job.plan)), h("p", { class: "figures" }, wallWords(job.plan)), coatTable(job.plan)] : []),
    ];
  }

  // Every plan since the controller was started: finished, failed or in progress.
  async plans() {
    const jobs = await this.line.get("/api/plans");
    const state = (job) => (job.error ? "no plan" : job.done ? "ready" : `${Math.round(job.fraction * 100)} %.${leftWords(job.left_s)}`);
    return [
      h("h1", {}, "Plans"),
      jobs.length ? null : h("p", { class: "why" }, "Nothing has been planned since the controller was started."),
      h("ul", { class: "choices" }, jobs.map((job) =>
        h("li", {}, h("a", { class: "button", href: `#plan/${job.casting_id}/${job.job_id}` },
          h("span", {}, h("b", { verbatim: true }, job.casting || job.casting_id), h("small", {}, askedWords(job))),
          h("span", {}, state(job)))))),
      h("p", { class: "also" }, h("a", { class: "button", href: "#castings" }, "Castings")),
    ];
  }

  async made(job) {
    const plan = job.plan;
    const foot = h("p", { class: "also" }, h("a", { class: "button", href: `#plan/${job.casting_id}` }, "Change the request"),
      h("a", { class: "button", href: "#plans" }, "All plans"));
    this.action = { label: "Take this plan", press: this.taking(job, foot) };
    return [
      h("h1", { verbatim: true }, plan.casting.name),
      h("p", { class: "why" }, headline(plan)),
      h("p", { class: "figures" }, askedWords(job)),
      h("h2", {}, "the expected wall"), this.wall(job.job_id),
      h("p", { class: "figures" }, wallWords(plan)),
      ...learnt(plan),
      h("h2", {}, "coats"), coatTable(plan),
      h("h2", {}, "timeline"), timeline(plan),
      h("h2", {}, "how it turns"), spins(plan),
      h("h2", {}, "mind"), ...plan.cautions.map((text) => h("p", { class: "mind" }, text)),
      ...plan.notes.filter((text) => !lessonsOf(plan).includes(text)).map((text) => h("p", { class: "figures" }, text)),
      h("h2", {}, "to keep or to send"),
      paperButton("The plan on paper", `/api/papers/${job.job_id}/plan.pdf`, paperName(plan.casting.name, "plan.pdf")),
      plan.wall.min_mm === null ? null : paperButton("A picture of the wall", `/api/papers/${job.job_id}/wall.png`, paperName(plan.casting.name, "wall.png")),
      foot,
    ];
  }

  taking(job, foot) {
    return async () => {
      if (await this.send("start", { job_id: job.job_id }, null)) this.back();
      else this.refuse(foot, new Error("The rig did not accept it: a run may be under way."));
    };
  }

  // The film takes some seconds: the page appears first, the picture later.
  wall(id) {
    const box = h("div", {}, h("p", { class: "figures", role: "status" }, "Working out the wall …"));
    this.line.get(`/api/mesh/${id}`).then(
      (mesh) => box.replaceChildren(fourSides(mesh, () => this.turnRound(box, mesh))),
      (error) => box.replaceChildren(h("p", { class: "figures" }, error.message)),
    );
    return box;
  }

  async turnRound(box, mesh) {
    const { Body } = await import("./body.js");
    const body = new Body(box, mesh, { frame: false });
    this.redraw = () => body.draw();
  }

  refuse(after, error) {
    after.parentElement.querySelector(".answer")?.remove();
    after.after(h("p", { class: "answer no", role: "alert" }, error.message));
  }

  // --- the record --------------------------------------------------------------------------------

  async runs() {
    const cards = await this.line.get("/api/runs");
    return [
      h("h1", {}, "Past runs"),
      cards.length ? null : h("p", { class: "why" }, "Nothing has been cast here yet."),
      h("ul", { class: "choices" }, cards.map((card) =>
        h("li", {}, h("a", { class: "button", href: `#run/${card.run_id}` },
          h("span", {}, h("b", { verbatim: true }, card.casting), h("small", {}, `${dayAndTime(card.started_utc)}, ${card.resin}${card.simulated ? ", simulated" : ""}`)),
          h("span", {}, `${card.coats_done} of ${card.coats} coats${card.proven ? ", proven" : ""}`))))),
    ];
  }

  async run(runId) {
    const [card, curve, events, lines, plan] = await Promise.all([
      this.line.get(`/api/runs/${runId}`),
      this.line.get(`/api/curve?run_id=${encodeURIComponent(runId)}&points=1500`),
      this.line.get(`/api/runs/${runId}/events`),
      this.line.get(`/api/runs/${runId}/record`),
      this.line.get(`/api/runs/${runId}/plan`).catch(() => null),
    ]);
    const { Heat } = await import("../heat.js");
    const curveBox = h("div");
    const heat = new Heat(curveBox);
    heat.samples = curve;
    heat.marks = events.filter((e) => e.kind === "touched").map((e) => ({ at_s: e.at_s, what: e.data.what }));
    const last = curve.at(-1);
    heat.seen = {
      now_s: last?.at_s ?? 0, coats: [], coat: 0, gel: { predicted: [], sentence: "" },
      probe_degC: last?.probe_degC, room_degC: last?.room_degC, mould_degC: last?.mould_degC ?? null, peak_limit_degC: null,
    };
    heat.show("all");
    this.redraw = () => heat.draw();
    requestAnimationFrame(this.redraw);
    const data = { run_id: runId };
    if (this.line.mayAct && card.step === "done") {
      this.action = card.proven
        ? { label: "Cast it again as proven", press: async () => { if (await this.send("start", data, null)) this.back(); } }
        : { label: "Mark as proven", press: async () => { location.hash = `prove/${runId}`; } };
    }
    const against = card.replay_of && await this.against(card);
    return [
      h("h1", { verbatim: true }, card.casting),
      h("p", { class: "why" }, `${dayAndTime(card.started_utc)}, ${card.resin}, ${card.coats_done} of ${card.coats} coats${card.simulated ? ", simulated" : ""}${card.proven ? ", proven" : ""}.`),
      against,
      h("h2", {}, "the heat"), curveBox,
      outcome(events.find((e) => e.kind === "proven")?.data.proof),
      h("h2", {}, "the planned wall"), this.wall(runId),
      plan && h("h2", {}, "as planned"), plan && coatTable(plan),
      h("h2", {}, "written down"),
      h("ol", { class: "lines" }, lines.map((l) => h("li", {}, h("time", { datetime: l.utc }, timeOfDay(l.utc)), h("span", {}, l.text)))),
      photosPart(this.line, runId, events, () => this.open(this.page)),
      h("h2", {}, "to keep or to send"),
      paperButton("The run on paper", `/api/papers/${runId}/run.pdf`, paperName(card.casting, "run.pdf")),
      plan && paperButton("The plan on paper", `/api/papers/${runId}/plan.pdf`, paperName(card.casting, "plan.pdf")),
      plan && plan.wall.min_mm !== null && paperButton("A picture of the wall", `/api/papers/${runId}/wall.png`, paperName(card.casting, "wall.png")),
      paperButton("The whole run, to export", `/api/papers/${runId}/run.zip`, paperName(card.casting, "run.zip")),
    ];
  }

  async prove(runId) {
    if (!this.line.mayAct) throw new Error("This phone may watch, not prove a run.");
    const { provingPage } = await import("./proving.js");
    const made = await provingPage(this.line, runId, {
      send: this.send, refuse: this.refuse, again: () => { location.hash = `run/${runId}`; },
    });
    this.action = made.action;
    return made.parts;
  }

  // Comparison of a replay with the run that it repeats.
  async against(card) {
    const [{ compared, wallVerdict }, proven] = await Promise.all([
      import("./replay.js"), this.line.get(`/api/runs/${encodeURIComponent(card.replay_of)}`).catch(() => null),
    ]);
    const found = await this.line.get(`/api/runs/${encodeURIComponent(card.run_id)}/compare`).then(
      (comparison) => compared(comparison, proven),
      (error) => [h("p", { class: "figures" }, error.message)]);
    // Two films take some seconds: the page appears first.
    const verdict = h("p", { class: "why", role: "status" }, "Working out both walls …");
    const mesh = (run) => this.line.get(`/api/mesh/${encodeURIComponent(run)}`);
    Promise.all([card.run_id, card.replay_of].map(mesh)).then(
      ([now, then]) => say(verdict, wallVerdict(now, then)), (error) => say(verdict, error.message));
    return h("div", {}, h("h2", {}, "against the proven run"), verdict, found);
  }

  // --- who may act -------------------------------------------------------------------------------

  async people() {
    const { me } = this.line;
    if (me.role !== "operate") {
      return [
        h("h1", {}, me.role === "none" ? "Pair this phone with the rig." : "This phone may watch."),
        h("p", { class: "why" }, "The rig's own console shows a code: type it here, or point the phone's camera at the picture beside it. A code works once."),
        this.pairForm(""),
        this.pairAtFrame(),
      ];
    }
    const [cards, audit] = await Promise.all([this.line.get("/api/sessions"), this.line.get("/api/audit")]);
    const shown = h("div");
    const invite = (role, label) => h("button", {
      type: "button", onclick: async () => shown.replaceChildren(inviteCard(await this.line.post("/api/invites", { role }))),
    }, label);
    const revoke = (card) => h("button", {
      type: "button", class: "small", "aria-label": `Unpair ${card.name}`, onclick: async () => {
        await this.line.post(`/api/sessions/${card.session_id}/revoke`).catch(() => null);
        if (card.this) location.reload();
        else this.open(this.page);
      },
    }, "Unpair");
    return [
      h("h1", {}, "Who may act"),
      table("Paired phones", ["phone", "may", "last seen", "unpair"], cards.map((c) => [
        c.this ? `${c.name} (this one)` : c.name, c.role === "operate" ? "act" : "watch", dayAndTime(c.seen_utc), revoke(c),
      ])),
      h("h2", {}, "another phone"),
      h("p", { class: "also" }, invite("watch", "A code to watch"), invite("operate", "A code to act")), shown,
      h("h2", {}, "recent commands"),
      table("Newest first", ["when", "who", "what", "outcome"], audit.reverse().slice(0, 40).map((a) => [dayAndTime(a.utc), a.who, a.what.replaceAll("_", " "), a.outcome])),
    ];
  }

  pair(code) {
    history.replaceState(null, "", "#people");
    return [
      h("h1", {}, "Pair this phone with the rig."),
      h("p", { class: "why" }, "Give the phone a name that others will recognise."),
      this.pairForm(code),
    ];
  }

  pairForm(code) {
    const typed = h("input", { type: "text", id: "code", maxlength: "20", autocomplete: "off", autocapitalize: "characters", spellcheck: "false", value: code });
    const name = h("input", { type: "text", id: "phone", maxlength: "40", autocomplete: "off", value: "Phone at the bench" });
    const form = h("form", {},
      h("div", { class: "fields" },
        h("label", { class: "field", for: "code" }, h("span", {}, "Code"), typed),
        h("label", { class: "field", for: "phone" }, h("span", {}, "Name of this phone"), name)),
      h("p", { class: "also" }, h("button", { type: "submit" }, "Pair")));
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      try {
        await this.line.post("/api/pair", { code: typed.value.trim(), name: name.value.trim() || "a phone" });
        history.replaceState(null, "", "/");
        location.reload();
      } catch (error) {
        this.refuse(form, error);
      }
    });
    return form;
  }

  // Calls while the phone is locked.
  callsGroup(group) {
    if (!canBeCalled()) {
      return h("p", { class: "figures" }, "A locked phone can be called only through a secure page: start the rig with --tls, and open ", h("a", { href: "/trust" }, "its page on trust"), ".");
    }
    const told = h("p", { class: "figures", role: "status" });
    const box = h("input", { type: "checkbox", id: "call-me", onchange: async () => {
      try {
        await (box.checked ? callMe(this.line) : callMeNoMore(this.line));
        told.textContent = box.checked ? "This phone is called even while it is locked, if its push service can be reached." : "";
      } catch (error) {
        box.checked = false;
        told.textContent = error.message;
      }
    } });
    isCalled().then((called) => { box.checked = called; }, () => {});
    return group("While this phone is locked", h("label", { class: "tick" }, box, h("span", {}, "Call this phone")), told);
  }

  // Without a code: the rig gives a number, and a person confirms at the frame.
  pairAtFrame() {
    const told = h("p", { class: "why", role: "status" });
    const ask = h("button", { type: "button", id: "pair-at-frame", onclick: async () => {
      ask.disabled = true;
      try {
        const name = document.getElementById("phone")?.value.trim() || "a phone";
        const card = await this.line.post("/api/pair/request", { name });
        told.textContent = `This phone shows ${card.number}. If the rig says the same number, hold the button at the frame within ${card.lasts_s} s.`;
        while ((await this.line.post("/api/pair/requested", { ticket: card.ticket })).role === "none") {
          await new Promise((wake) => setTimeout(wake, 500));
        }
        history.replaceState(null, "", "/");
        location.reload();
      } catch (error) {
        told.textContent = error.message;
        ask.disabled = false;
      }
    } }, "Pair at the frame");
    return h("div", {}, h("h2", {}, "without a code"), h("p", { class: "also" }, ask), told);
  }

  // --- settings ----------------------------------------------------------------------------------

  settings() {
    const pick = (name, value, label) => h("label", { class: "tick" },
      h("input", { type: "radio", name, value, checked: settings()[name] === value, onchange: () => choose({ [name]: value }) }), h("span", {}, label));
    const toggle = (name, label) => h("label", { class: "tick" },
      h("input", { type: "checkbox", checked: settings()[name], onchange: (e) => choose({ [name]: e.target.checked }) }), h("span", {}, label));
    const group = (title, ...rows) => h("fieldset", {}, h("legend", {}, title), rows);
    const spoken = (moment, label) => h("label", { class: "tick" },
      h("input", { type: "checkbox", checked: !settings().unspoken.includes(moment), onchange: (e) => choose({
        unspoken: [...settings().unspoken.filter((m) => m !== moment), ...(e.target.checked ? [] : [moment])] }) }), h("span", {}, label));
    const loudness = () => h("label", { class: "field", for: "loud" }, h("span", {}, "How loud"),
      h("input", { type: "range", id: "loud", min: "0", max: "1", step: "0.1", value: String(settings().loud), onchange: (e) => {
        choose({ loud: Number(e.target.value) });
        utter("Two minutes left to pour.");
      } }));
    const voice = () => h("label", { class: "field", for: "voice" }, h("span", {}, "Voice"),
      h("select", { id: "voice", onchange: (e) => choose({ voice: e.target.value }) },
        h("option", { value: "" }, "the phone's own"),
        voices().filter((v) => v.lang.startsWith("en")).map((v) => h("option", { value: v.name, selected: v.name === settings().voice }, v.name))));
    return [
      h("h1", {}, "Settings"),
      h("p", { class: "why" }, "For this phone only."),
      group("Figures in", pick("units", "metric", "mm, g, °C"), pick("units", "inch", "inch, oz, °F")),
      group("Paper", pick("look", "auto", "same as the phone"), pick("look", "light", "light"), pick("look", "dark", "dark")),
      group("When you are needed", toggle("sound", "Sound"), toggle("vibration", "Vibration"),
        toggle("awake", "Keep the screen awake during a run")),
      canSpeak() ? group("Read aloud by this phone", toggle("speak", "Read aloud what the rig says"),
        ...MOMENTS.map(([moment, label]) => spoken(moment, label)), loudness(), voice()) : null,
      this.callsGroup(group),
      canStayAwake() ? null : h("p", { class: "figures" }, "This browser keeps the screen awake only on a secure page (https): set a longer screen timeout on the phone."),
      h("p", { class: "also" }, h("button", { type: "button", onclick: tryOut }, "Try the sound")),
    ];
  }
}

// The casting that proved its run: what was predicted, and what scale and gauge found.
function outcome(proof) {
  if (!proof) return null;
  const shown = (value, unit) => (unit === "g" ? mass(value) : length(value, 1));
  const off = ({ foreseen, measured }) => {
    const percent = 100 * (measured / foreseen - 1);
    return foreseen ? `${percent < 0 ? "−" : "+"}${Math.abs(percent).toFixed(1)} %` : null;
  };
  return h("div", {}, h("h2", {}, "the casting"),
    table("As measured", ["what", "predicted", "found", "differs"],
      proof.findings.map((f) => [f.what, shown(f.foreseen, f.unit), shown(f.measured, f.unit), off(f)])),
    proof.sentences.map((text) => h("p", { class: "figures" }, text)),
    proof.reason ? h("p", { class: "why" }, `Proven against its plan, because: ${proof.reason}`) : null,
    proof.troubles?.length ? [h("h2", {}, "what went wrong"), h("ul", { class: "said" }, proof.troubles.map((t) => h("li", {}, t.sentence)))] : null,
    proof.missing?.length ? [h("h2", {}, "not known"), h("ul", { class: "said" }, proof.missing.map((m) => h("li", {}, m.sentence)))] : null);
}

// The request: the wall, and the temperatures of the day.
function askedWords({ wall_mm, shop_degC, mould_degC }) {
  if (wall_mm === null || wall_mm === undefined) return "";
  return `${length(wall_mm)} wall; shop ${temp(shop_degC)}, mould ${temp(mould_degC)}.`;
}

const sentenceOf = (job) => `${job.sentence.charAt(0).toUpperCase()}${job.sentence.slice(1)}${/[.…]$/.test(job.sentence) ? "" : "."}${leftWords(job.left_s)}`;

// Shown once the search has a pace; null before.
function leftWords(left_s) {
  if (left_s === null || left_s === undefined) return "";
  return left_s < 45 ? " Less than a minute left." : ` About ${Math.round(left_s / 60)} min left.`;
}

function headline(plan) {
  const t = plan.totals;
  const cost = t.cost === null ? "" : ` for ${t.cost.toFixed(2)} ${plan.casting.resin.currency}`.trimEnd();
  return `${plan.coats.length} coats of ${plan.casting.resin.name}: ${mass(t.resin_g)} mixed${cost}, ${mass(t.hollow_g)} in the casting. ` +
    `Solid it would weigh ${mass(t.solid_g)}: ${Math.round(t.saved_fraction * 100)} % saved.`;
}

function wallWords({ wall, details }) {
  const parts = [`${length(wall.target_mm)} wanted, ${length(wall.mean_mm)} on average`];
  if (wall.min_mm !== null) parts.push(`thinnest patch ${length(wall.min_mm)}`);
  if (wall.rim_mm !== null) parts.push(`rim ${length(wall.rim_mm)}`);
  if (wall.worst_case_min_mm !== null) parts.push(`thinnest on a bad day ${length(wall.worst_case_min_mm)}`);
  if (details?.odds) parts.push(`nine castings in ten at least ${length(details.odds.nine_in_ten_mm)} there, half of them ${length(details.odds.half_mm)}`);
  const error_mm = wallError(wall);
  if (error_mm !== null) parts.push(`known to ± ${length(error_mm, 1)}`);
  return `${parts.join("; ")}. ${wall.note}`;
}

function coatTable(plan) {
  // Two narrow tables: a single wide one would not fit a phone, and its end would be missed.
  return h("div", {},
    table("To weigh", ["coat", "wall", "A", "B"], plan.coats.map((c) => [
      c.coat, length(c.mean_mm), mass(c.part_a_g), mass(c.part_b_g),
    ])),
    table("Times after the two parts meet", ["coat", "pourable", "turn", "gels", "next pour"], plan.coats.map((c) => [
      c.coat, pourWords(c.clock), turnWords(c.clock), minutes(c.clock.gel_expected_s),
      `${Math.round(c.clock.next_pour_from_s / 60)}–${minutes(c.clock.next_pour_until_s)}`,
    ])));
}

// Latest pouring time, and the earliest if the mix waits first. Turning may be due sooner.
function pourWords(times) {
  const until = clock(times.pour_by_s);
  return times.pour_from_s > 0 ? `${clock(times.pour_from_s)}–${until}` : `to ${until}`;
}

// Deadline for turning that keeps the wall, if the plan has one.
function turnWords(times) {
  return times.turn_by_s === null ? "–" : `by ${clock(times.turn_by_s)}`;
}

function inviteCard(invite) {
  const rows = invite.picture;
  const path = rows.flatMap((row, y) => [...row].map((cell, x) => (cell === "1" ? `M${x} ${y}h1v1h-1z` : ""))).join("");
  const ns = "http://www.w3.org/2000/svg";
  const picture = document.createElementNS(ns, "svg");
  picture.setAttribute("viewBox", `0 0 ${rows.length} ${rows.length}`);
  picture.setAttribute("class", "qr");
  picture.setAttribute("role", "img");
  picture.setAttribute("aria-label", "The code as a picture for a phone's camera");
  const cells = document.createElementNS(ns, "path");
  cells.setAttribute("d", path);
  cells.setAttribute("fill", "#000");
  picture.append(cells);
  return h("div", {},
    h("p", { class: "code" }, invite.code),
    h("p", { class: "why" }, `This code works once, for ${minutes(invite.lasts_s)}, and lets a phone ${invite.role === "operate" ? "act" : "watch"}. On the other phone open ${invite.url.split("#")[0]} and type the code, or point its camera here.`),
    picture);
}

// What measured castings of this mould and resin changed in the plan.
const lessonsOf = (plan) => plan.details.learnt?.sentences ?? [];

function learnt(plan) {
  const told = lessonsOf(plan);
  if (!told.length) return [];
  return [h("h2", {}, "what earlier castings showed"), ...told.map((text) => h("p", { class: "figures" }, text)),
    h("p", { class: "figures" }, "To plan without it, change the request.")];
}
