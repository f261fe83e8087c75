// 'New casting' and 'New resin', also for editing and copying: the text files that the command line
// reads.

import { h, say } from "../dom.js";
import { Draft } from "./drafts.js";
import { PICTURES, at, chooser, fields, figure, pick, text, tick } from "./fields.js";
import { fileName, put, sendFile, slug } from "./sending.js";
import { meant, ShapeForm } from "./shapes.js";

const clean = (table) => Object.fromEntries(Object.entries(table).filter(([, value]) => value !== undefined && value !== ""));

// mode: new, edit or copy. again() opens the page again. Returns the parts of the page and the action
// of the right button.
export async function castingPage(line, mode, id, again) {
  const [resins, entry] = await Promise.all([line.get("/api/resins"), id ? line.get(`/api/library/castings/${id}`) : null]);
  const before = entry?.casting ?? {};
  const name = text("name", "Name", { value: mode === "copy" ? `${before.name} 2` : before.name });
  const shape = new ShapeForm(line, () => slug(name.get()), entry?.measures, () => draft.keep());
  const draft = new Draft(draftName(mode, "casting", id), entry, shape.more);
  // A mesh from a drawing stays unchanged unless another shape is chosen.
  const keeps = entry && !entry.measures ? tick(`Keep the mesh ${before.mesh}`, true) : null;
  const wall = figure("cast-wall", "Wall", "length", { value: before.wall_mm ?? 4, range: [0.3, 50] });
  const coats = figure("coats", "Coats", "plain", { value: before.coats, hint: "planned", range: [1, 12] });
  const resin = pick("resin", "Resin", resins.map((r) => [`${r.resin_id}.toml`, r.name]), { value: before.resin });
  const mouldWall = figure("mould-wall", "Thickness of the mould's own wall", "length", { value: before.mould?.wall_mm ?? 12, range: [1, 100] });
  const material = text("material", "Mould's material", { value: before.mould?.material ?? "silicone rubber" });
  const mouldMass = figure("mould-mass", "Mould and shell, if weighed", "heavy", { value: before.mould?.mass_kg, range: [0.01, 1000] });
  const mouldTemp = figure("mould-temp", "Mould's temperature", "temp", { value: before.mould?.temp_degC, hint: "same as the shop", range: [0, 60] });
  const shopTemp = figure("shop-temp", "Shop's temperature", "temp", { value: before.shop?.temp_degC ?? 21, range: [0, 60] });
  const humidity = figure("humidity", "Shop's humidity, %", "plain", { value: before.shop?.humidity_percent, range: [0, 100] });
  const state = pick("state", "While it turns the opening is", [["capped", "capped"], ["open", "open"]], { value: before.opening?.state });
  const keep = async () => {
    const stem = mode === "edit" ? id : slug(name.get());
    if (!stem) throw at(name.input, "Give the casting a name.");
    const casting = clean({
      ...before, name: name.get(), wall_mm: wall.checked(true), coats: coats.checked(), resin: resin.get(),
      mould: clean({ ...before.mould, wall_mm: mouldWall.checked(true), material: material.get(), mass_kg: mouldMass.checked(), temp_degC: mouldTemp.checked() }),
      shop: clean({ ...before.shop, temp_degC: shopTemp.checked(true), humidity_percent: humidity.checked() }),
      opening: { ...before.opening, state: state.get() },
    });
    const measures = keeps?.get() ? null : await shape.read(name.get());
    if (measures) casting.opening = { state: state.get() }; // the old opening belonged to another mesh
    await put(line, `/api/library/castings/${stem}`, { casting, measures, new: mode !== "edit" });
    draft.drop();
    return `plan/${stem}`;
  };
  const shapeBox = h("div", { hidden: Boolean(keeps) }, shape.element);
  keeps?.input.addEventListener("change", () => { shapeBox.hidden = keeps.get(); });
  return page({ new: "New casting", edit: `Change ${before.name}`, copy: `Copy ${before.name}` }[mode], "Keep the casting", keep, [
    fields(name), keeps?.label, shapeBox,
    h("fieldset", {}, h("legend", {}, "casting"), fields(wall, coats, resin, state)),
    h("fieldset", {}, h("legend", {}, "mould"), fields(mouldWall, mouldTemp, material, mouldMass)),
    h("fieldset", {}, h("legend", {}, "shop"), fields(shopTemp, humidity)),
  ], draft, again);
}

const draftName = (mode, what, id) => (id ? `${mode}-${what}-${id}` : `${mode}-${what}`);

// [key, words, kind, least, most]: the limits within which the cure equations are valid.
const SHEET = [
  ["pot_life_min", "Pot life, min", "plain", 0.5, 1440], ["pot_life_mass_g", "at a mass of", "mass", 5, 5000], ["pot_life_temp_degC", "and at", "temp", 0, 60],
  ["mixed_viscosity_mPa_s", "Mixed viscosity, mPa\u00a0s", "plain", 20, 50000], ["mix_ratio_b_per_100a", "B to 100 of A, by weight", "plain", 0.5, 5000],
  ["mixed_density_g_cm3", "Mixed density, g/cm³", "plain", 0.7, 2.5], ["peak_exotherm_degC", "Peak exotherm", "temp", 1, 300], ["demould_min", "Demould after, min", "plain", 1, 20160],
];
const MORE = [
  ["price_per_kg", "Price of a kg", "plain", 0, 100000], ["max_section_mm", "Thickest section", "length", 0.1, 1000],
  ["density_a_g_cm3", "Density of A, g/cm³", "plain", 0.7, 2.5], ["density_b_g_cm3", "Density of B, g/cm³", "plain", 0.7, 2.5],
];
const FIRST = [["mass_g", "Mixed in the cup", "mass", 5, 5000], ["temp_degC", "Room and parts at", "temp", 0, 60], ["gel_min", "The cup gelled after, min", "plain", 0.5, 1440]];
const NEEDED = ["pot_life_min", "mixed_viscosity_mPa_s", "mix_ratio_b_per_100a", "mixed_density_g_cm3"];

// A group of figures of one table. read(needed) throws if one is out of range.
function figures(rows, table, prefix = "") {
  const made = rows.map(([key, words, kind, least, most]) => [key, figure(prefix + key, words, kind, { value: table?.[key], range: [least, most] })]);
  const read = (needed = []) => clean(Object.fromEntries(made.map(([key, field]) => [key, field.checked(needed.includes(key))])));
  const empty = () => made.map(([, field]) => field.input).find((input) => input.value === "");
  return { read, empty, label: fields(...made.map(([, field]) => field)) };
}

export async function resinPage(line, mode, id, again) {
  const entry = id ? await line.get(`/api/library/resins/${id}`) : null;
  const before = entry?.resin ?? { sheet: { pot_life_mass_g: 100, pot_life_temp_degC: 23 } };
  const name = text("name", "Name", { value: mode === "copy" ? `${before.name} 2` : before.name });
  const sheet = figures(SHEET, before.sheet);
  const more = figures(MORE, before);
  const first = figures(FIRST, mode === "copy" ? null : before.first_batch, "first-");
  const currency = text("currency", "Currency, such as EUR", { value: before.currency ?? "", most: 8 });
  const snap = tick("A snap cure: it gels within seconds of thickening", before.sheet?.snap);
  const photo = chooser("sheet-photo", "Photograph of the sheet, to keep beside it, at most 20 MB", PICTURES);
  const picture = entry?.picture ? h("img", { class: "kept", src: `/api/library/files/${entry.picture}`, alt: "The resin's technical sheet" }) : null;
  const draft = new Draft(draftName(mode, "resin", id), entry);
  let kept = ""; // already written by this page
  // The photograph of the sheet is chosen first and shown above the fields, to copy from.
  const shown = h("div", {}, picture);
  photo.input.addEventListener("change", () => {
    if (!photo.get()) return;
    const reader = new FileReader();
    reader.onload = () => shown.replaceChildren(h("img", { class: "kept", src: reader.result, alt: "The photograph of the sheet" }));
    reader.readAsDataURL(photo.get());
  });
  const keep = async (tell) => {
    const stem = mode === "edit" ? id : slug(name.get());
    if (!stem) throw at(name.input, "Give the resin a name.");
    const batch = first.read();
    const given = Object.keys(batch).length;
    if (given && given < FIRST.length) throw at(first.empty(), "For the first batch give mass, temperature and minutes, or none of them.");
    if (photo.get() && !(await isPicture(photo.get()))) throw at(photo.input, `${photo.get().name} is not a picture. Take the photograph again.`);
    const table = clean({
      ...before, name: name.get(), currency: currency.get(), ...Object.fromEntries(MORE.map(([key]) => [key, undefined])), ...more.read(),
      sheet: clean({ ...sheet.read(NEEDED), snap: snap.get() }), first_batch: given ? batch : undefined,
    });
    // A second press, after the upload of the photograph broke off, finds the resin's own file.
    await put(line, `/api/library/resins/${stem}`, { resin: table, new: mode !== "edit" && kept !== stem });
    kept = stem;
    if (photo.get()) await sendFile(line, fileName(`${stem}.sheet`, photo.get()), photo.get(), (_, words) => tell(words));
    draft.drop();
    return "resins";
  };
  return page({ new: "New resin", edit: `Change ${before.name}`, copy: `Copy ${before.name}` }[mode], "Keep the resin", keep, [
    h("p", { class: "why" }, "Copy the figures from the technical sheet. Read the safety data sheet first: it takes precedence over anything said here."),
    fields(photo), shown,
    fields(name), h("fieldset", {}, h("legend", {}, "technical sheet"), sheet.label, snap.label),
    h("fieldset", {}, h("legend", {}, "the first batch's touch"),
      h("p", { class: "why" }, "Mix a first cup, with gloves and fresh air, and touch it with a stick now and then. When the stick draws no more threads, it has gelled: the gel of every coat is then predicted from your own resin too. You may fill this in later."),
      first.label),
    h("fieldset", {}, h("legend", {}, "more, if known"), more.label, fields(currency)),
  ], draft, again);
}

const isPicture = (file) => createImageBitmap(file).then(() => true, () => false);

export async function resinsPage(line) {
  const cards = await line.get("/api/resins");
  return {
    parts: [
      h("h1", {}, "Resins"),
      h("ul", { class: "choices" }, cards.map((card) => h("li", {},
        h("a", { class: "button", href: `#edit-resin/${card.resin_id}` }, h("span", {}, h("b", {}, card.name)), h("span", {}, "change")),
        h("p", { class: "also" }, h("a", { class: "button", href: `#copy-resin/${card.resin_id}` }, `Copy ${card.name}`))))),
      h("p", { class: "also" }, h("a", { class: "button", href: "#new-resin" }, "New resin")),
    ],
  };
}

// A form that the right button saves; a refusal is shown beside the form, and no typed text is lost.
function page(title, label, keep, parts, draft, again) {
  const refusal = h("p", { class: "answer no", role: "alert" });
  const busyWords = h("p", { class: "figures", role: "status" });
  const form = h("form", { novalidate: true }, parts.filter(Boolean), busyWords, refusal, h("button", { type: "submit", class: "unseen", tabindex: "-1", "aria-hidden": "true" }, label));
  const told = draft.fill(form, again);
  if (told) form.prepend(told);
  draft.watch(form);
  let busy = false;
  const press = async () => {
    if (busy) return;
    busy = true;
    refusal.textContent = "";
    say(busyWords, "Keeping it …"); // a shape takes seconds on a Pi
    busyWords.scrollIntoView({ block: "center" });
    try {
      const to = await keep((words) => say(busyWords, words));
      if (form.isConnected) location.hash = to; // unless the maker has opened another page meanwhile
    } catch (error) {
      refused(error, form, refusal, busyWords);
    }
    busyWords.textContent = "";
    busy = false;
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    press();
  });
  // The job's button does not wait for this: its action on another page has nothing to do with the
  // form.
  return { parts: [h("h1", {}, title), form], action: { label, press: () => { press(); } } };
}

// Shows the reason beside the field concerned, which gets the focus, or else at the end of the form.
function refused(error, form, refusal, end) {
  const { words, input } = error.input ? { words: error.message, input: error.input } : meant(error.message, form);
  (input?.closest(".fields") ?? end).after(refusal);
  say(refusal, words);
  (input ?? refusal).scrollIntoView({ block: "center" });
}
