// 'New casting' and 'New resin', to edit and to copy: the text files that the command line reads.

import { h } from "../dom.js";
import { typeset } from "../units.js";
import { chooser, fields, figure, pick, text, tick } from "./fields.js";
import { fileName, put, sendFile, slug } from "./sending.js";
import { ShapeForm } from "./shapes.js";

const clean = (table) => Object.fromEntries(Object.entries(table).filter(([, value]) => value !== undefined && value !== ""));

// mode: new, edit or copy. Gives the parts of the page and what the right button does.
export async function castingPage(line, mode, id) {
  const [resins, entry] = await Promise.all([line.get("/api/resins"), id ? line.get(`/api/library/castings/${id}`) : null]);
  const before = entry?.casting ?? {};
  const name = text("name", "Name", { value: mode === "copy" ? `${before.name} 2` : before.name });
  const shape = new ShapeForm(line, () => slug(name.get()), entry?.measures);
  // A mesh that was drawn stays as it is unless another shape is told.
  const keeps = entry && !entry.measures ? tick(`Keep the mesh ${before.mesh}`, true) : null;
  const wall = figure("cast-wall", "Wall", "length", { value: before.wall_mm ?? 4 });
  const coats = figure("coats", "Coats", "plain", { value: before.coats, hint: "planned" });
  const resin = pick("resin", "Resin", resins.map((r) => [`${r.resin_id}.toml`, r.name]), { value: before.resin });
  const mouldWall = figure("mould-wall", "Mould's own wall", "length", { value: before.mould?.wall_mm ?? 12 });
  const material = text("material", "Mould's material", { value: before.mould?.material ?? "silicone rubber" });
  const mouldMass = figure("mould-mass", "Mould and shell, if weighed, kg", "plain", { value: before.mould?.mass_kg });
  const mouldTemp = figure("mould-temp", "Mould's temperature", "temp", { value: before.mould?.temp_degC, hint: "as the shop" });
  const shopTemp = figure("shop-temp", "Shop's temperature", "temp", { value: before.shop?.temp_degC ?? 21 });
  const humidity = figure("humidity", "Shop's humidity, %", "plain", { value: before.shop?.humidity_percent });
  const state = pick("state", "While it turns the opening is", [["capped", "capped"], ["open", "open"]], { value: before.opening?.state });
  const keep = async () => {
    const stem = mode === "edit" ? id : slug(name.get());
    if (!stem) throw new Error("Give the casting a name.");
    const casting = clean({
      ...before, name: name.get(), wall_mm: wall.get(), coats: coats.get(), resin: resin.get(),
      mould: clean({ ...before.mould, wall_mm: mouldWall.get(), material: material.get(), mass_kg: mouldMass.get(), temp_degC: mouldTemp.get() }),
      shop: clean({ ...before.shop, temp_degC: shopTemp.get(), humidity_percent: humidity.get() }),
      opening: { ...before.opening, state: state.get() },
    });
    const measures = keeps?.get() ? null : await shape.read(name.get());
    if (measures) casting.opening = { state: state.get() }; // the old opening was another mesh's
    await put(line, `/api/library/castings/${stem}`, { casting, measures, new: mode !== "edit" });
    location.hash = `plan/${stem}`;
  };
  const shapeBox = h("div", { hidden: Boolean(keeps) }, shape.element);
  keeps?.input.addEventListener("change", () => { shapeBox.hidden = keeps.get(); });
  return page({ new: "New casting", edit: `Change ${before.name}`, copy: `Copy ${before.name}` }[mode], "Keep the casting", keep, [
    fields(name), keeps?.label, shapeBox,
    h("fieldset", {}, h("legend", {}, "casting"), fields(wall, coats, resin, state)),
    h("fieldset", {}, h("legend", {}, "mould"), fields(mouldWall, material, mouldMass, mouldTemp)),
    h("fieldset", {}, h("legend", {}, "shop"), fields(shopTemp, humidity)),
  ]);
}

// [key, words, least, most]: the limits within which the cure's equations hold.
const SHEET = [
  ["pot_life_min", "Pot life, min", 0.5, 1440], ["pot_life_mass_g", "at a mass of, g", 5, 5000], ["pot_life_temp_degC", "and at, °C", 0, 60],
  ["mixed_viscosity_mPa_s", "Mixed viscosity, mPa s", 20, 50000], ["mix_ratio_b_per_100a", "g of B to 100 g of A", 0.5, 5000],
  ["mixed_density_g_cm3", "Mixed density, g/cm³", 0.7, 2.5], ["peak_exotherm_degC", "Peak exotherm, °C", 0, 300], ["demould_min", "Demould after, min", 0, 20160],
];
const MORE = [["price_per_kg", "Price of a kg"], ["max_section_mm", "Thickest section, mm"], ["density_a_g_cm3", "Density of A, g/cm³"], ["density_b_g_cm3", "Density of B, g/cm³"]];
const NEEDED = ["pot_life_min", "mixed_viscosity_mPa_s", "mix_ratio_b_per_100a", "mixed_density_g_cm3"];

export async function resinPage(line, mode, id) {
  const entry = id ? await line.get(`/api/library/resins/${id}`) : null;
  const before = entry?.resin ?? { sheet: { pot_life_mass_g: 100, pot_life_temp_degC: 23 } };
  const name = text("name", "Name", { value: mode === "copy" ? `${before.name} 2` : before.name });
  const sheet = SHEET.map(([key, words, least, most]) => [key, figure(key, words, "plain", { value: before.sheet?.[key], hint: `${least} to ${most}` })]);
  const more = MORE.map(([key, words]) => [key, figure(key, words, "plain", { value: before[key] })]);
  const currency = text("currency", "Currency", { value: before.currency ?? "", most: 12 });
  const snap = tick("A snap cure: it gels within seconds of thickening", before.sheet?.snap);
  const photo = chooser("sheet-photo", "Photograph of the sheet, to keep beside it", ".jpg,.jpeg,.png,.webp");
  const status = h("p", { class: "figures", role: "status" });
  const picture = entry?.picture ? h("img", { class: "kept", src: `/api/library/files/${entry.picture}`, alt: "The resin's technical sheet" }) : null;
  const keep = async () => {
    const stem = mode === "edit" ? id : slug(name.get());
    if (!stem) throw new Error("Give the resin a name.");
    const wrong = sheet.find(([key, field], i) => (field.get() === undefined ? NEEDED.includes(key) : field.get() < SHEET[i][2] || field.get() > SHEET[i][3]));
    if (wrong) {
      const [, words, least, most] = SHEET.find(([key]) => key === wrong[0]);
      wrong[1].input.focus();
      throw new Error(`${words}: must be ${least} to ${most}.`);
    }
    const table = clean({
      ...before, name: name.get(), currency: currency.get(), ...Object.fromEntries(more.map(([key, field]) => [key, field.get()])),
      sheet: clean({ ...Object.fromEntries(sheet.map(([key, field]) => [key, field.get()])), snap: snap.get() }),
    });
    await put(line, `/api/library/resins/${stem}`, { resin: table, new: mode !== "edit" });
    if (photo.get()) await sendFile(line, fileName(`${stem}.sheet`, photo.get()), photo.get(), (_, words) => { status.textContent = words; });
    location.hash = "resins";
  };
  return page({ new: "New resin", edit: `Change ${before.name}`, copy: `Copy ${before.name}` }[mode], "Keep the resin", keep, [
    h("p", { class: "why" }, "Copy the figures from the technical sheet. Read the safety data sheet first: it stands above anything said here."),
    fields(name), h("fieldset", {}, h("legend", {}, "technical sheet"), fields(...sheet.map(([, field]) => field)), snap.label),
    h("fieldset", {}, h("legend", {}, "more, if known"), fields(...more.map(([, field]) => field), currency)),
    fields(photo), status, picture,
    h("p", { class: "why" }, "With the first batch, touch the cup with a gloved stick and press 'The cup has gelled': from then on the gel is foretold from your own resin as well."),
  ]);
}

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

// A form whose right button keeps it; a refusal is told beside the form, and nothing typed is lost.
function page(title, label, keep, parts) {
  const refusal = h("p", { class: "answer no", role: "alert" });
  const form = h("form", { novalidate: true }, parts.filter(Boolean), refusal, h("button", { type: "submit", class: "unseen", tabindex: "-1", "aria-hidden": "true" }, label));
  let busy = false;
  const press = async () => {
    if (busy) return;
    busy = true;
    refusal.textContent = "";
    try {
      await keep();
    } catch (error) {
      refusal.textContent = typeset(error.message);
      refusal.scrollIntoView({ block: "center" });
    }
    busy = false;
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    press();
  });
  return { parts: [h("h1", {}, title), form], action: { label, press } };
}
