// Figures as people read them. Everything inside is mm, g, degC and seconds.

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

// Light or dark paper as chosen, else as the phone has it.
export function dress() {
  if (chosen.look === "auto") delete document.documentElement.dataset.look;
  else document.documentElement.dataset.look = chosen.look;
}

const metric = () => chosen.units === "metric";
const known = (value) => typeof value === "number" && Number.isFinite(value);

// [unit, from metric, decimals]
const lengths = () => (metric() ? ["mm", 1, 1] : ["in", 1 / 25.4, 3]);
const masses = () => (metric() ? ["g", 1, 1] : ["oz", 1 / 28.349523125, 2]);

function shown(value, [unit, factor, decimals], more = 0) {
  return known(value) ? `${(value * factor).toFixed(decimals + more)} ${unit}` : "–";
}

export const length = (value_mm, more = 0) => shown(value_mm, lengths(), more);
export const mass = (value_g, more = 0) => shown(value_g, masses(), more);
export const massUnit = () => masses()[0];
export const lengthUnit = () => lengths()[0];
export const massFrom = (typed) => Number(typed) / masses()[1];
export const lengthFrom = (typed) => Number(typed) / lengths()[1];
export const massTo = (value_g) => (value_g * masses()[1]).toFixed(masses()[2]);
export const lengthTo = (value_mm) => value_mm * lengths()[1];

export const tempTo = (value_degC) => (metric() ? value_degC : value_degC * 1.8 + 32);
export const tempFrom = (typed) => (metric() ? Number(typed) : (Number(typed) - 32) / 1.8);
export const tempUnit = () => (metric() ? "°C" : "°F");
export const temp = (value_degC) =>
  known(value_degC) ? `${tempTo(value_degC).toFixed(1)} ${tempUnit()}` : "–";

export const rate = (value_rpm) => (known(value_rpm) ? `${Math.abs(value_rpm).toFixed(1)} rpm` : "–");

// 400 -> "6:40", 4000 -> "1:06:40"
export function clock(time_s) {
  const whole = Math.round(Math.abs(time_s)); // as the record's own words are
  const parts = [Math.floor(whole / 60) % 60, whole % 60];
  const hours = Math.floor(whole / 3600);
  const two = (n) => String(n).padStart(2, "0");
  return hours ? `${hours}:${parts.map(two).join(":")}` : `${parts[0]}:${two(parts[1])}`;
}

// What the rig's programs write in plain letters, as people print it.
export const typeset = (text) => text.replaceAll(" degC", "\u00a0°C").replaceAll(" cm2", "\u00a0cm²").replaceAll(" +- ", " ± ");

export const minutes = (time_s) => (known(time_s) ? `${Math.round(time_s / 60)} min` : "–");

export function timeOfDay(utc) {
  return new Date(utc).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit", hour12: false });
}

export function dayAndTime(utc) {
  return new Date(utc).toLocaleString([], { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", hour12: false });
}
