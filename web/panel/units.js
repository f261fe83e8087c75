// Figures in the units that a person chose. Internally everything is in mm, g, degC and seconds.

const KEY = "evenwall.settings";
const DEFAULTS = { units: "metric", look: "auto", sound: true, vibration: true, awake: true,
  speak: false, loud: 1, voice: "", unspoken: [] };

let chosen = { ...DEFAULTS, ...JSON.parse(localStorage.getItem(KEY) ?? "{}") };
const listeners = new Set();

export const settings = () => chosen;
export const onSettings = (heard) => listeners.add(heard);

export function choose(change) {
  chosen = { ...chosen, ...change };
  localStorage.setItem(KEY, JSON.stringify(chosen));
  for (const heard of listeners) heard(chosen);
}

// Light or dark look as chosen, otherwise that of the phone.
export function dress() {
  if (chosen.look === "auto") delete document.documentElement.dataset.look;
  else document.documentElement.dataset.look = chosen.look;
}

// The rules for finding and showing figures in sentences come with the page: see controller/units.py.
const rules = JSON.parse(document.getElementById("units")?.textContent ?? "null");
const known = (value) => typeof value === "number" && Number.isFinite(value);
export const unitOf = (name) => {
  const [symbol, one, several, factor, offset, more, most] = rules.shown[chosen.units][name];
  return { symbol, one, several, factor, offset, more, most };
};

const FIGURE = rules && new RegExp(rules.figure, "g");
const NUMBER = rules && new RegExp(rules.number, "g");

// A sentence with its figures in the chosen units. A figure keeps its decimals and gets more if the new
// unit is larger.
export const shown = (text) => figures(text, (said, unit) => `${said}\u00a0${unit.symbol}`);

// The same for speech: the units are written out.
export const spoken = (text) => figures(text, (said, unit) => `${said} ${Number(said.replaceAll(",", "")) === 1 ? unit.one : unit.several}`);

function figures(text, full) {
  if (!rules) return text;
  return text.replace(FIGURE, (_, found, name) => {
    const unit = unitOf(name);
    const [values, error] = found.split(" +- ");
    const said = values.replace(NUMBER, (one) => converted(one, unit, unit.offset));
    return full(`${said}${error ? ` ± ${converted(error, unit, 0)}` : ""}`, unit);
  });
}

function converted(number, { factor, more, most }, offset) {
  if (factor === 1 && offset === 0) return number;
  const plain = number.replaceAll(",", "").replace("\u2212", "-");
  const decimals = Math.min((plain.split(".")[1] ?? "").length + more, most);
  const sign = number.startsWith("+") ? "+" : "";
  return `${sign}${(Number(plain) * factor + offset).toFixed(decimals)}`;
}

// A single figure, to a tenth of its metric unit or with `more` decimals. Other units show the rounded
// metric figure, as sentences do; otherwise one weight would appear in two ways.
function figure(value, name, more = 0) {
  if (!known(value)) return "–";
  const unit = unitOf(name);
  const rounded = Number(value.toFixed(1 + more));
  return `${(rounded * unit.factor + unit.offset).toFixed(Math.min(1 + unit.more + more, unit.most))} ${unit.symbol}`;
}

export const length = (value_mm, more = 0) => figure(value_mm, "mm", more);
export const mass = (value_g, more = 0) => figure(value_g, "g", more);
export const temp = (value_degC) => figure(value_degC, "degC");
export const massUnit = () => unitOf("g").symbol;
export const lengthUnit = () => unitOf("mm").symbol;
export const tempUnit = () => unitOf("degC").symbol;
export const massFrom = (typed) => Number(typed) / unitOf("g").factor;
export const lengthFrom = (typed) => Number(typed) / unitOf("mm").factor;
export const tempFrom = (typed) => (Number(typed) - unitOf("degC").offset) / unitOf("degC").factor;
export const massTo = (value_g) => (Number(value_g.toFixed(1)) * unitOf("g").factor).toFixed(1 + unitOf("g").more);
export const lengthTo = (value_mm) => value_mm * unitOf("mm").factor;
export const tempTo = (value_degC) => value_degC * unitOf("degC").factor + unitOf("degC").offset;

export const rate = (value_rpm) => (known(value_rpm) ? `${Math.abs(value_rpm).toFixed(1)} rpm` : "–");

// 400 -> "6:40", 4000 -> "1:06:40"
export function clock(time_s) {
  const whole = Math.round(Math.abs(time_s)); // like the words in the record
  const parts = [Math.floor(whole / 60) % 60, whole % 60];
  const hours = Math.floor(whole / 3600);
  const two = (n) => String(n).padStart(2, "0");
  return hours ? `${hours}:${parts.map(two).join(":")}` : `${parts[0]}:${two(parts[1])}`;
}

export const minutes = (time_s) => (known(time_s) ? `${Math.round(time_s / 60)} min` : "–");

const OF_DAY = new Intl.DateTimeFormat([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false });
export const timeOfDay = (utc) => OF_DAY.format(new Date(utc));

export function dayAndTime(utc) {
  return new Date(utc).toLocaleString([], { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", hour12: false });
}
