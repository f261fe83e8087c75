// Temperature curve: the cup's measured line and predicted band, the gel window, room, mould and limit.

import { h, mark, say } from "./dom.js";
import { fit, hatch, ink, niceStep } from "./ink.js";
import { clock, temp, tempTo, tempUnit } from "./units.js";

const MARGIN = { left: 40, right: 14, top: 26, bottom: 26 };
const MIN_SPAN_s = 120;
const MANY = 3000; // rows in view beyond which blocks are drawn
const BLOCK = 16;

export class Heat {
  constructor(box) {
    this.canvas = h("canvas", { class: "pan", role: "img", "aria-label": "Temperature curve" });
    this.words = h("p", { class: "figures" });
    this.key = h("ul", { class: "key" });
    const tool = (label, act) => h("button", { type: "button", onclick: act }, label);
    this.coatTool = tool("This coat", () => this.show("coat"));
    this.allTool = tool("Whole run", () => this.show("all"));
    this.tools = h("p", { class: "tools" },
      this.coatTool, this.allTool,
      tool("Earlier", () => this.pan(-0.5)), tool("Later", () => this.pan(0.5)),
      tool("Closer", () => this.zoom(0.5)), tool("Wider", () => this.zoom(2)));
    box.replaceChildren(this.canvas, this.key, this.words, this.tools);
    this.samples = [];
    this.marks = []; // {at_s, what}
    this.proven = null; // rows of the run that this one repeats
    this.seen = null;
    this.view = "coat"; // "coat", "all" or [from_s, to_s]
    this.canvas.addEventListener("pointerdown", (e) => this.grab(e));
    this.press();
  }

  // The rows of one run, oldest first; they may grow at their end.
  set samples(rows) {
    this.rows = rows;
    this.blocks = {};
  }

  get samples() {
    return this.rows;
  }

  show(view) {
    this.view = view;
    this.press();
    this.draw();
  }

  press() {
    this.coatTool.setAttribute("aria-pressed", String(this.view === "coat"));
    this.allTool.setAttribute("aria-pressed", String(this.view === "all"));
  }

  pan(share) {
    const [from, to] = this.span();
    this.show([from + (to - from) * share, to + (to - from) * share]);
  }

  zoom(factor) {
    const [from, to] = this.span();
    const half = Math.max(MIN_SPAN_s, (to - from) * factor) / 2;
    this.show([(from + to) / 2 - half, (from + to) / 2 + half]);
  }

  grab(event) {
    const start_px = event.clientX;
    const [from, to] = this.span();
    const perPixel = (to - from) / (this.canvas.clientWidth - MARGIN.left - MARGIN.right);
    this.canvas.setPointerCapture(event.pointerId);
    const move = (e) => {
      const by = (start_px - e.clientX) * perPixel;
      if (Math.abs(start_px - e.clientX) < 4) return;
      this.view = [from + by, to + by];
      this.ask();
    };
    const done = () => {
      this.canvas.removeEventListener("pointermove", move);
      this.press();
    };
    this.canvas.addEventListener("pointermove", move);
    this.canvas.addEventListener("pointerup", done, { once: true });
    this.canvas.addEventListener("pointercancel", done, { once: true });
  }

  ask() {
    this.asked ??= requestAnimationFrame(() => {
      this.asked = null;
      this.draw();
    });
  }

  met_s() {
    const coat = this.seen?.coats[this.seen.coat - 1];
    return coat?.parts_met_s ?? null;
  }

  span() {
    if (Array.isArray(this.view)) return this.view;
    const now = this.seen?.now_s ?? 0;
    const first = this.samples[0]?.at_s ?? now;
    const met = this.met_s();
    if (this.view === "all" || met === null) return [first, Math.max(now, first + 600)];
    const gel = this.seen.gel;
    const until = Math.max(gel.high_s ?? 0, gel.called_at_s ?? 0, 600) * 1.2;
    return [met - 30, Math.max(met + until, now)];
  }

  draw() {
    const seen = this.seen;
    if (!seen) return;
    const [pen, width, height] = fit(this.canvas, 260);
    const [from, to] = this.span();
    const met = this.met_s();
    const right = width - MARGIN.right;
    const bottom = height - MARGIN.bottom;
    const x = (at_s) => MARGIN.left + ((at_s - from) / (to - from)) * (right - MARGIN.left);
    const [low, high] = this.range(from, to, met);
    const y = (degC) => bottom - ((degC - low) / (high - low)) * (bottom - MARGIN.top);

    this.grid(pen, { x, y, from, to, low, high, met, right, bottom });
    pen.save();
    pen.beginPath();
    pen.rect(MARGIN.left, 0, right - MARGIN.left, bottom);
    pen.clip();
    if (met !== null) {
      this.window(pen, x, met, bottom);
      this.band(pen, x, y, met);
      this.before(pen, x, y, met);
    }
    this.level(pen, x, y, "room_degC", [2, 4]);
    this.level(pen, x, y, "mould_degC", [9, 4]);
    if (seen.peak_limit_degC) this.limit(pen, y(seen.peak_limit_degC), right);
    this.measured(pen, x, y);
    this.touches(pen, x, y);
    pen.restore();
    this.tell(met);
  }

  range(from, to, met) {
    let low = Infinity;
    let high = -Infinity;
    const bands = [];
    const take = (v) => {
      if (!Number.isFinite(v)) return;
      if (v < low) low = v;
      if (v > high) high = v;
    };
    for (const name of ["probe_degC", "room_degC", "mould_degC"]) {
      for (const part of this.parts(name)) {
        take(part.low);
        take(part.high);
      }
    }
    if (met !== null) {
      for (const [at, cool, warm] of this.seen.gel.predicted) {
        if (met + at < from || met + at > to) continue;
        bands.push([cool, warm]);
      }
      for (const row of this.proven ?? []) {
        const at = met + row.coat_time_s;
        if (row.coat === this.seen.coat && at >= from && at <= to) take(row.probe_degC ?? NaN);
      }
    }
    if (low === Infinity) [low, high] = [18, 30];
    // A very wide band must not flatten the curve.
    const limit = this.seen.peak_limit_degC;
    const [least, most] = [low - 3, Math.max(high, limit ?? high + 40) + 8];
    for (const [cool, warm] of bands) {
      take(Math.max(least, cool));
      take(Math.min(most, warm));
    }
    if (limit && limit - high < 25) take(limit + 2);
    return [Math.floor(low - 1.5), Math.max(high + 2, low + 8)];
  }

  grid(pen, { x, y, from, to, low, high, met, right, bottom }) {
    pen.lineWidth = 1;
    pen.fillStyle = ink("faint");
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const [cold, hot] = [tempTo(low), tempTo(high)];
    const step = niceStep(hot - cold, 5);
    const back = (shown) => low + ((shown - cold) / (hot - cold)) * (high - low);
    for (let t = Math.ceil(cold / step) * step; t <= hot; t += step) {
      const at = Math.round(y(back(t))) + 0.5;
      line(pen, [MARGIN.left, at], [right, at], ink("hair"));
      pen.fillText(String(Math.round(t)), MARGIN.left - 7, at);
    }
    const zero = met ?? this.samples[0]?.at_s ?? from;
    const spaced = [1, 2, 5, 10, 15, 30, 60, 120].find((m) => (to - from) / (m * 60) <= (right - MARGIN.left) / 58) ?? 240;
    pen.textAlign = "center";
    pen.textBaseline = "top";
    for (let m = Math.ceil((from - zero) / 60 / spaced) * spaced; zero + m * 60 <= to; m += spaced) {
      const at = Math.round(x(zero + m * 60)) + 0.5;
      if (at < MARGIN.left - 1 || at > right - 24) continue;
      line(pen, [at, bottom], [at, bottom + 5], ink("ink"));
      pen.fillText(`${m}`, at, bottom + 8);
    }
    line(pen, [MARGIN.left, bottom + 0.5], [right, bottom + 0.5], ink("ink"));
    pen.textAlign = "left";
    pen.fillText(tempUnit(), 0, 0);
    pen.textAlign = "right";
    pen.fillText("min", right + MARGIN.right, bottom + 8);
  }

  window(pen, x, met, bottom) {
    const gel = this.seen.gel;
    if (gel.low_s === null || gel.high_s === null) return;
    const [a, b] = [x(met + gel.low_s), x(met + gel.high_s)];
    pen.fillStyle = hatch(pen, ink("rule"));
    pen.fillRect(a, MARGIN.top, b - a, bottom - MARGIN.top);
    line(pen, [a, MARGIN.top], [a, bottom], ink("rule"));
    line(pen, [b, MARGIN.top], [b, bottom], ink("rule"));
    if (gel.called_at_s !== null) {
      const at = x(met + gel.called_at_s);
      line(pen, [at, MARGIN.top], [at, bottom], ink("ink"), 2.5);
      label(pen, "gelled", at, 4);
    } else if (b - a > 30) {
      label(pen, "gels here", (a + b) / 2, 4);
    }
  }

  band(pen, x, y, met) {
    const rows = this.seen.gel.predicted;
    if (rows.length < 2) return;
    pen.beginPath();
    rows.forEach(([at, cool], i) => pen[i ? "lineTo" : "moveTo"](x(met + at), y(cool)));
    [...rows].reverse().forEach(([at, , warm]) => pen.lineTo(x(met + at), y(warm)));
    pen.closePath();
    pen.globalAlpha = 0.75;
    pen.fillStyle = ink("band");
    pen.fill();
    pen.globalAlpha = 1;
  }

  // The proven run's coat on the same clock, under this one's.
  before(pen, x, y, met) {
    if (!this.proven) return;
    pen.strokeStyle = ink("amber-2");
    pen.lineWidth = 6;
    pen.lineJoin = "round";
    pen.beginPath();
    let drawing = false;
    for (const row of this.proven) {
      const here = row.coat === this.seen.coat && row.coat_time_s !== null && row.probe_degC !== null;
      if (here) pen[drawing ? "lineTo" : "moveTo"](x(met + row.coat_time_s), y(row.probe_degC));
      drawing = here;
    }
    pen.stroke();
  }

  level(pen, x, y, name, dash) {
    pen.setLineDash(dash);
    pen.strokeStyle = ink("faint");
    pen.lineWidth = 1.5;
    this.path(pen, x, y, name);
    pen.setLineDash([]);
  }

  limit(pen, at, right) {
    pen.setLineDash([14, 4, 3, 4]);
    line(pen, [MARGIN.left, at], [right, at], ink("ink"), 1.5);
    pen.setLineDash([]);
    pen.fillStyle = ink("ink");
    pen.textAlign = "left";
    pen.textBaseline = "bottom";
    pen.lineWidth = 4; // clear of the hatching and of the gel's line
    pen.strokeStyle = ink("paper");
    pen.strokeText(`limit ${temp(this.seen.peak_limit_degC)}`, MARGIN.left + 6, at - 2);
    pen.fillText(`limit ${temp(this.seen.peak_limit_degC)}`, MARGIN.left + 6, at - 2);
  }

  measured(pen, x, y) {
    pen.strokeStyle = ink("pen");
    pen.lineWidth = 2.75;
    pen.lineJoin = "round";
    this.path(pen, x, y, "probe_degC");
    const last = this.samples.at(-1);
    if (last?.probe_degC == null) return;
    pen.beginPath();
    pen.arc(x(last.at_s), y(last.probe_degC), 4.5, 0, 7);
    pen.fillStyle = ink("pen");
    pen.fill();
  }

  // At most four points per pixel column, however long the run: first, lowest, highest, last.
  path(pen, x, y, name) {
    pen.beginPath();
    let column = null;
    let pencilDown = false;
    const flush = () => {
      if (!column) return;
      for (const value of [column.first, column.low, column.high, column.last]) {
        pen[pencilDown ? "lineTo" : "moveTo"](column.px, y(value));
        pencilDown = true;
      }
      column = null;
    };
    for (const part of this.parts(name)) {
      if (part.first === null || part.first === undefined) {
        flush();
        pencilDown = false;
        continue;
      }
      const px = Math.round(x(part.at_s) * 2) / 2;
      if (column && column.px !== px) flush();
      if (column) {
        column.low = Math.min(column.low, part.low);
        column.high = Math.max(column.high, part.high);
        column.last = part.last;
      } else {
        column = { px, ...part };
      }
    }
    flush();
    pen.stroke();
  }

  // Visible part of a series: its rows or, if there are very many, blocks of rows.
  parts(name) {
    const [from, to] = this.span();
    const begin = Math.max(0, lowerBound(this.samples, from) - 1);
    const end = Math.min(this.samples.length, lowerBound(this.samples, to) + 1);
    const one = (row) => ({ at_s: row.at_s, first: row[name], low: row[name], high: row[name], last: row[name] });
    if (end - begin < MANY) return this.samples.slice(begin, end).map(one);
    const blocks = this.blocked(name);
    const whole = Math.min(blocks.length, Math.floor(end / BLOCK));
    return [
      ...blocks.slice(Math.floor(begin / BLOCK), whole),
      ...this.samples.slice(whole * BLOCK, end).map(one),
    ];
  }

  blocked(name) {
    const blocks = (this.blocks[name] ??= []);
    while ((blocks.length + 1) * BLOCK <= this.samples.length) {
      const rows = this.samples.slice(blocks.length * BLOCK, (blocks.length + 1) * BLOCK);
      const values = rows.map((row) => row[name]).filter((value) => value !== null);
      blocks.push({
        at_s: rows[0].at_s, first: values[0], last: values.at(-1),
        low: Math.min(...values), high: Math.max(...values),
      });
    }
    return blocks;
  }

  touches(pen, x, y) {
    for (const mark of this.marks) {
      const at = x(mark.at_s);
      const row = this.samples[Math.min(this.samples.length - 1, lowerBound(this.samples, mark.at_s))];
      const top = Math.max(40, row?.probe_degC != null ? y(row.probe_degC) : MARGIN.top + 40);
      pen.beginPath();
      pen.moveTo(at, top - 6);
      pen.lineTo(at - 6, top - 18);
      pen.lineTo(at + 6, top - 18);
      pen.closePath();
      pen.fillStyle = ink("ink");
      pen.fill();
      label(pen, mark.what, at, top - 38);
    }
  }

  tell(met) {
    const seen = this.seen;
    const now = [`The probe reads ${temp(seen.probe_degC)}, room ${temp(seen.room_degC)}`];
    if (seen.mould_degC !== null) now.push(`, mould ${temp(seen.mould_degC)}`);
    now.push(met !== null ? `; ${clock(seen.now_s - met)} since the parts met. ` : ". ");
    if (seen.replay) now.push(`${seen.replay.sentence} `);
    const text = now.join("") + seen.gel.sentence;
    say(this.words, text);
    mark(this.canvas, "aria-label", `Temperature curve. ${this.words.textContent}`);
    const look = `${ink("pen")} ${Boolean(this.proven)}`;
    if (this.keyLook === look) return;
    this.keyLook = look;
    this.key.replaceChildren(...keys(this.proven));
  }
}

function keys(proven) {
  const item = (word, draw) => {
    const canvas = h("canvas", { "aria-hidden": "true" });
    canvas.style.cssText = "display:inline-block;width:28px;height:14px;margin-right:.4em;vertical-align:-1px";
    draw(fit(canvas, 14, 28)[0]);
    return h("li", {}, canvas, word);
  };
  const dashed = (dash, colour, width) => (pen) => {
    pen.setLineDash(dash);
    line(pen, [0, 7], [28, 7], ink(colour), width);
  };
  return [
    item("cup", dashed([], "pen", 2.75)),
    ...(proven ? [item("proven run", dashed([], "amber-2", 6))] : []),
    item("predicted", (pen) => { pen.fillStyle = ink("band"); pen.fillRect(0, 1, 28, 12); }),
    item("gel window", (pen) => { pen.fillStyle = hatch(pen, ink("faint"), 5); pen.fillRect(0, 1, 28, 12); }),
    item("room", dashed([2, 4], "faint", 1.5)),
    item("mould", dashed([9, 4], "faint", 1.5)),
  ];
}

function line(pen, from, to, colour, width = 1) {
  pen.beginPath();
  pen.moveTo(...from);
  pen.lineTo(...to);
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.stroke();
}

function label(pen, text, at, top) {
  pen.textAlign = "center";
  pen.textBaseline = "top";
  const wide = pen.measureText(text).width + 8;
  pen.fillStyle = ink("paper");
  pen.fillRect(at - wide / 2, top, wide, 18);
  pen.fillStyle = ink("ink");
  pen.fillText(text, at, top + 2);
}

function lowerBound(rows, at_s) {
  let [a, b] = [0, rows.length];
  while (a < b) {
    const middle = (a + b) >> 1;
    if (rows[middle].at_s < at_s) a = middle + 1;
    else b = middle;
  }
  return a;
}
