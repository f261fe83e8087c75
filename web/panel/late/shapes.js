// The shape of a mould, as a maker can describe it: girths, diameters, simple bodies, a scan,
// photographs.

import { h, s, say } from "../dom.js";
import { length, lengthTo } from "../units.js";
import { PICTURES, at, chooser, fields, figure, pick, tick } from "./fields.js";
import { OpeningEditor } from "./opening.js";
import { OutlineEditor } from "./outline.js";
import { fileName, sendFile } from "./sending.js";

const WAYS = [["girths", "girths, by tape"], ["diameters", "diameters, by caliper"], ["body", "simple bodies"], ["scan", "a scan or a drawing"], ["photos", "photographs"]];
const BODIES = {
  ball: ["diameter_mm"], egg: ["height_mm", "diameter_mm", "widest_mm"], cup: ["height_mm", "bottom_mm", "top_mm"],
  cylinder: ["height_mm", "diameter_mm"], cone: ["height_mm", "diameter_mm"], box: ["along_mm", "across_mm", "height_mm", "edge_mm"],
};
const WORDS = {
  diameter_mm: "Diameter", height_mm: "Height", widest_mm: "Widest at height", bottom_mm: "Diameter below", top_mm: "Diameter above",
  along_mm: "Length", across_mm: "Depth", edge_mm: "Radius of its edges",
};
const NEXT_VIEWS = ["0", "90", "45", "135"]; // the likely direction of each photograph, by its number
const VIEWS = [["0", "front"], ["90", "right side"], ["45", "between front and right"], ["135", "between right and back"], ["180", "back"], ["270", "left side"]];
const MESHES = ["obj", "ply", "stl", "3mf", "glb"];

export class ShapeForm {
  // stem() gives the name of the files that are sent; before: initial measurements. changed() is called
  // for changes outside any field: a file was sent, a corner or a cut was moved.
  constructor(line, stem, before = null, changed = () => {}) {
    Object.assign(this, { line, stem, before, changed });
    const way = before ? wayOf(before) : "girths";
    this.ways = pick("shape-way", "The shape comes from", WAYS, { value: way, changed: (to) => this.draw(to) });
    this.box = h("div", {});
    this.shown = h("div", { role: "status" });
    this.water = figure("water", "Water the mould holds, if weighed", "mass", { value: before?.water?.mass_g });
    this.places = h("p", { class: "also" }, h("button", { type: "button", onclick: () => this.look() }, "Show the shape"));
    this.element = h("fieldset", {}, h("legend", {}, "shape"), fields(this.ways), this.box, fields(this.water), this.places, this.shown);
    this.draw(way);
  }

  draw(way) {
    const before = this.before && wayOf(this.before) === way ? this.before : null;
    this.made = this[way](before);
    this.box.replaceChildren(...this.made.parts);
  }

  // Values without a field, for a draft of the form.
  get more() {
    return { get: () => this.made.kept?.() ?? null, set: (kept) => this.made.putBack?.(kept) };
  }

  // Returns the measurements in the form of the file; sends the needed files first.
  async read(name) {
    const measures = { name, ...(await this.made.read()) };
    const water = this.water.get();
    if (water) measures.water = { mass_g: water };
    return measures;
  }

  async look() {
    this.places.after(this.shown);
    this.shown.replaceChildren(h("p", { class: "figures" }, "Making the shape …"));
    try {
      const card = await this.line.post("/api/library/shape", { measures: await this.read("Shape") });
      this.shown.replaceChildren(...cardParts(card, this.made.moved));
    } catch (error) {
      const { words, input } = error.input ? { words: error.message, input: error.input } : meant(error.message, this.element);
      this.shown.replaceChildren(h("p", { class: "answer no", role: "alert" }, words), this.mends(error.message));
      (input?.closest(".fields") ?? this.places).after(this.shown);
    }
    this.shown.scrollIntoView({ block: "center" });
  }

  // The repairs that a refusal names: one button each, which requests the repair and tries again.
  mends(sentence) {
    const named = (this.made.mends ?? []).filter(([words]) => sentence.includes(words));
    const press = (mend) => () => {
      mend();
      this.changed();
      this.look();
    };
    const offers = named.map(([, box, label]) => [label, () => { box.input.checked = true; }]);
    const wide = this.made.mouth && sentence.match(/^mouth .*diameter_mm = (\d+)/);
    if (wide) offers.push([`Open it ${length(Number(wide[1]))} wide`, () => { this.made.mouth.set(Number(wide[1])); }]);
    return h("p", { class: "also" }, offers.map(([label, mend]) => h("button", { type: "button", onclick: press(mend) }, label)));
  }

  girths(before) { return this.turned(before, "girths_mm", "Girth"); }

  diameters(before) { return this.turned(before, "diameters_mm", "Diameter"); }

  turned(before, key, word) {
    const known = before?.turned;
    const rows = [];
    const list = h("div", {});
    const add = (height, width, other) => {
      const n = rows.length + 1;
      const row = [
        figure(`height-${n}`, `Height ${n}`, "length", { value: height }), figure(`width-${n}`, `${word} ${n}`, "length", { value: width }),
        key === "diameters_mm" ? figure(`other-${n}`, `Across ${n}, if oval`, "length", { value: other }) : null,
      ].filter(Boolean);
      rows.push(row);
      list.append(fields(...row));
    };
    (known?.heights_mm ?? [0, null, null, null, null]).forEach((z, i) => add(z, known?.[key]?.[i], known?.across_mm?.[i]));
    const end = pick("closed-end", "The closed end is", [["round", "round"], ["flat", "flat"], ["point", "pointed"]], { value: known?.closed_end ?? "flat" });
    const open = pick("opening", "Resin goes in at the", [["top", "top"], ["bottom", "bottom"]], { value: known?.opening ?? "top" });
    const read = () => {
      const filled = rows.filter((row) => row.some((one) => one.get() !== undefined));
      for (const [z, w] of filled) {
        if (w.get() === undefined) w.refuse("is missing: measure it (0 where the form ends round or in a point), or empty the height beside it.");
        if (z.get() === undefined) z.refuse("is missing: measure it from the table upwards, or empty the field beside it.");
      }
      if (filled.length < 2) throw at(rows[filled.length][1].input, `Measure the ${word.toLowerCase()} at three heights at least; eight are good.`);
      const turned = { heights_mm: filled.map(([z]) => z.get()), [key]: filled.map(([, w]) => w.get()), closed_end: end.get(), opening: open.get() };
      if (filled.some(([, , o]) => o?.get())) turned.across_mm = filled.map(([, w, o]) => o.get() ?? w.get());
      for (const kept of ["middles_mm", "reading_mm", "height_reading_mm"]) if (known?.[kept]) turned[kept] = known[kept];
      return { turned };
    };
    return {
      read,
      parts: [
        h("p", { class: "why" }, "Stand the master as the casting will stand. Measure from the table upwards, closest together where the form curves most: at least three heights, preferably eight. A round or pointed end has 0 there."),
        list, h("p", { class: "also" }, h("button", { type: "button", "data-grows": "^(height|width|other)-[0-9]+$", onclick: () => add() }, "Add a height")), fields(end, open),
      ],
    };
  }

  body(before) {
    const rows = [];
    const list = h("div", {});
    const add = (known) => {
      const n = rows.length + 1;
      const box = h("div", {});
      const row = { sizes: {} };
      const draw = (kind) => {
        row.sizes = Object.fromEntries((BODIES[kind] ?? []).map((key) => [key, figure(`body-${n}-${key}`, WORDS[key], "length", { value: known?.[key] })]));
        box.replaceChildren(fields(...Object.values(row.sizes)));
      };
      const kinds = Object.keys(BODIES).map((k) => [k, k]);
      row.kind = pick(`body-${n}`, `Body ${n}`, n > 1 ? [...kinds, ["", "none: leave it out"]] : kinds, { value: known?.kind, changed: draw });
      row.at = figure(`body-${n}-at`, "Its bottom stands at height", "length", { value: known?.at_mm?.[2] ?? 0 });
      row.known = known;
      draw(row.kind.get());
      rows.push(row);
      list.append(fields(row.kind), box, fields(row.at));
    };
    (before?.body ?? [undefined]).forEach(add);
    const mouth = mouthField(before, () => this.changed());
    const read = () => ({
      body: rows.filter((row) => row.kind.get()).map((row) => {
        const [x, y] = row.known?.at_mm ?? [0, 0];
        const body = { kind: row.kind.get(), at_mm: [x, y, row.at.get() ?? 0] };
        for (const [key, size] of Object.entries(row.sizes)) if (size.get() !== undefined) body[key] = size.get();
        if (row.known?.axis) body.axis = row.known.axis;
        return body;
      }), ...mouth.read(),
    });
    return { read, mouth, moved: mouth.moved, kept: mouth.kept, putBack: mouth.putBack, parts: [list, h("p", { class: "also" }, h("button", { type: "button", "data-grows": "^body-", onclick: () => add() }, "One more body")), fields(mouth.field)] };
  }

  scan(before) {
    const known = before?.scan;
    const file = chooser("scan-file", `Mesh (${MESHES.join(", ").toUpperCase()}), at most 64 MB`);
    const which = pick("scan-known", "The length you measured", [["height", "height"], ["width", "width"], ["depth", "depth"], ["longest", "longest side"]], { value: known?.known });
    const size = figure("scan-mm", "It is", "length", { value: known?.known_mm });
    const up = pick("scan-up", "Up in the file", [["", "the usual direction"], ...["z", "y", "x", "-z", "-y", "-x"].map((a) => [a, a])], { value: known?.up ?? "" });
    const largest = tick("Keep only the largest body", known?.keep === "largest");
    const wrap = tick("Draw a new skin round it", known?.wrap);
    const mouth = mouthField(before, () => this.changed());
    const progress = h("p", { class: "figures", role: "status" });
    let sent = known?.file;
    const read = async () => {
      if (file.get()) {
        if (!MESHES.some((one) => file.get().name.toLowerCase().endsWith(`.${one}`))) throw at(file.input, `${file.get().name} is not a mesh: choose a file that ends in ${MESHES.slice(0, -1).join(", ")} or ${MESHES.at(-1)}.`);
        sent = await this.send(file.get(), "scan", progress);
      }
      if (!sent) throw at(file.input, "Choose the mesh first.");
      file.input.value = "";
      this.changed();
      const scan = { file: sent, known: which.get(), keep: largest.get() ? "largest" : "all", wrap: wrap.get() };
      if (size.get()) scan.known_mm = size.get();
      else if (known?.units) scan.units = known.units;
      if (up.get()) scan.up = up.get();
      return { scan, ...mouth.read() };
    };
    return {
      read, mouth, moved: mouth.moved,
      mends: [[LARGEST, largest, "Keep the largest"], [WRAP, wrap, "Draw a new skin"]],
      kept: () => ({ sent, ...mouth.kept() }),
      putBack: (kept) => {
        sent = kept.sent;
        if (sent) progress.textContent = `${sent} is on the rig already.`;
        mouth.putBack(kept);
      },
      parts: [
        h("p", { class: "why" }, "One length that you measured gives its scale. Holes are closed, loose pieces left out and wrong faces turned; the page lists what was changed. Show the shape: an opening is proposed, and a finger moves it."),
        fields(file), progress, fields(which, size, up, mouth.field), largest.label, wrap.label,
      ],
    };
  }

  photos(before) {
    const known = before?.photos;
    const rows = [];
    const list = h("div", {});
    const tall = figure("photo-height", "Height of the form", "length", { value: known?.height_mm });
    const open = pick("opening", "Resin goes in at the", [["top", "top"], ["bottom", "bottom"]], { value: known?.opening ?? "top" });
    const mouth = mouthField(before);
    const add = (photo) => {
      const n = rows.length + 1;
      const row = {
        file: chooser(`photo-${n}`, `Photograph ${n}`, PICTURES),
        from: pick(`photo-${n}-from`, "Taken from", VIEWS, { value: String(photo?.from_deg ?? NEXT_VIEWS[n - 1] ?? 0) }),
        far: figure(`photo-${n}-far`, "Lens to the middle of the form", "length", { value: photo?.distance_mm }),
        lens: figure(`photo-${n}-lens`, "Lens above its bottom", "length", { value: photo?.lens_height_mm }),
        status: h("p", { class: "figures", role: "status" }), outline: new OutlineEditor(`photo-${n}`, () => this.changed()), known: photo, sent: photo?.file,
      };
      if (photo?.outline_px && photo.file) row.outline.show({ file: photo.file, outline_px: photo.outline_px });
      row.file.input.addEventListener("change", () => { row.finding = this.findOutline(row, n); });
      rows.push(row);
      list.append(fields(row.file), row.status, row.outline.element, fields(row.from, row.far, row.lens));
    };
    (known?.photo ?? [undefined, undefined]).forEach(add);
    const outlined = () => {
      const found = rows.filter((row) => row.outline.corners);
      if (tall.get() === undefined) tall.refuse("is missing: measure it with a ruler; it gives the photographs their scale.");
      if (found.length < 2) throw at(rows.find((row) => !row.outline.corners).file.input, "At least two photographs with an outline are needed, a quarter turn apart.");
      return found;
    };
    const read = async () => {
      await Promise.all(rows.map((row) => row.finding)); // waits for outlines that are still being found
      return told();
    };
    const told = () => ({
      photos: {
        height_mm: tall.get(), opening: open.get(),
        photo: outlined().map((row) => {
          const photo = { file: row.sent, outline_px: row.outline.corners, from_deg: Number(row.from.get()) };
          if (row.far.get()) photo.distance_mm = row.far.get();
          if (row.lens.get() !== undefined) photo.lens_height_mm = row.lens.get();
          return photo;
        }),
      }, ...mouth.read(),
    });
    return {
      read,
      kept: () => rows.map((row) => ({ sent: row.sent, outline: row.outline.kept() })),
      putBack: (kept) => kept.forEach(({ sent, outline }, i) => {
        if (i >= rows.length) add();
        rows[i].sent = sent;
        if (outline) rows[i].outline.show(outline);
      }),
      parts: [
        h("p", { class: "why" }, "Stand the form before an even wall of another colour. Hold the phone level and four heights away or more; zoom in instead of going nearer. A front and a side view are enough; more are better."),
        fields(tall), list, h("p", { class: "also" }, h("button", { type: "button", "data-grows": "^photo-[0-9]", onclick: () => add() }, "Add a photograph")), fields(open, mouth.field),
      ],
    };
  }

  async findOutline(row, n) {
    try {
      row.sent = await this.send(row.file.get(), `photo-${n}`, row.status);
      row.status.textContent = "Looking for the outline …";
      row.outline.show(await this.line.post("/api/library/outline", { file: row.sent }));
      row.status.textContent = "Drag a corner where the outline is wrong.";
      this.changed();
    } catch (error) {
      say(row.status, error.message);
    }
  }

  async send(file, what, status) {
    const name = fileName(`${this.stem() || "shape"}-${what}`, file);
    return sendFile(this.line, name, file, (_, words) => { say(status, words); });
  }
}

// Paths of figures in the files of measurements, and the fields in which they are typed. There heights
// and widths count from 0, with -1 for the end; bodies and photographs count from 1.
const LARGEST = 'keep = "largest"'; // repairs, as written in the files of measurements
const WRAP = "wrap = true";
const ROW = "[.\\[](-?\\d+)\\]?";
const PLACES = [
  [`turned\\.heights_mm${ROW}`, (n, last) => `height-${n < 0 ? last : n + 1}`],
  [`turned\\.(?:girths|diameters)_mm${ROW}`, (n, last) => `width-${n < 0 ? last : n + 1}`],
  [`turned\\.across_mm${ROW}`, (n, last) => `other-${n < 0 ? last : n + 1}`],
  [`body\\[(\\d+)\\]\\.(\\w+)`, (n, _, name) => `body-${n}-${name}`],
  ["scan\\.known_mm", () => "scan-mm"], ["scan\\.known", () => "scan-known"], ["scan\\.file", () => "scan-file"],
  ["mouth\\.diameter_mm", () => "mouth"], ["mouth\\.height_mm", () => "mouth"], ["^mouth is missing", () => "mouth", true],
  ["water\\.mass_g", () => "water"], ["the water's volume", () => "water", true],
  ["photos\\.height_mm", () => "photo-height"], ["photos\\.photo\\[(\\d+)\\]\\.distance_mm", (n) => `photo-${n}-far`],
];

// Names of settings in the files and in the form. Longer names come first.
const NAMES = [
  [LARGEST, "“Keep only the largest body”"], [WRAP, "“Draw a new skin round it”"],
  [/up = "(\S+)"/g, "“$1” under “Up in the file”"], [/closed_end = "round" or "point"/g, "“round” or “pointed” under “The closed end is”"],
  [/closed_end = "(\w+)"/g, "“$1” under “The closed end is”"],
  [", or by [mouth] in the file", ""], ["[mouth] diameter_mm or height_mm; diameter_mm = ", "its diameter; "],
  ["[mouth] height_mm or diameter_mm", "under “Opening”"], ["write distance_mm", "write it under “Lens to the middle of the form”"],
  ["by its at_mm", "by “Its bottom stands at height”"], [", or name the file's units", ""], ["write known_mm", "write it under “It is”"],
  ...Object.entries(WORDS).map(([key, words]) => [new RegExp(`(?<![.\\w])${key}(?! *=)`, "g"), `“${words}”`]),
];
const inWords = (told) => NAMES.reduce((said, [name, words]) => said.replaceAll(name, words), told);

// A refusal in the words of the form and, if it concerns one field, that field: it is named by its
// label and gets the focus.
export function meant(told, form) {
  const sentence = inWords(told);
  for (const [pattern, idOf, whole] of PLACES) {
    const found = sentence.match(new RegExp(pattern));
    if (!found) continue;
    const last = form.querySelectorAll("[id^=height-]").length;
    const input = form.querySelector(`#${CSS.escape(idOf(Number(found[1]), last, found[2]))}`);
    const label = input?.closest("label")?.querySelector("span")?.textContent;
    if (!label) return { words: sentence, input: null };
    input.focus();
    // The unit follows the figure.
    return { words: whole ? sentence : sentence.replace(found[0], label.replace(/, (mm|in|g|oz|°C|°F|min)$/, "")), input };
  }
  return { words: sentence, input: null };
}

function wayOf(measures) {
  if (measures.turned) return measures.turned.diameters_mm ? "diameters" : "girths";
  return ["body", "scan", "photos"].find((way) => measures[way]) ?? "girths";
}

// The cut that opens the form: given by a diameter, or moved with a finger (`moved` is called).
function mouthField(before, changed = () => {}) {
  const field = figure("mouth", "Opening: diameter, where it is to be cut", "length", { value: before?.mouth?.diameter_mm });
  let cut = before?.mouth?.height_mm ? before.mouth : null;
  field.input.addEventListener("input", () => { cut = null; });
  const moved = (mouth) => {
    cut = { side: mouth.side, height_mm: mouth.height_mm, lean_deg: mouth.lean_deg };
    field.input.value = "";
    changed();
  };
  const read = () => {
    if (cut) return { mouth: cut };
    return field.get() ? { mouth: { side: before?.mouth?.side ?? "top", diameter_mm: field.get() } } : {};
  };
  const set = (diameter_mm) => {
    cut = null;
    field.input.value = String(Number(lengthTo(diameter_mm).toFixed(2)));
  };
  return { field, read, set, moved, kept: () => ({ cut }), putBack: (kept) => { cut = kept.cut; } };
}

// The figures of a shape and its two outlines, to the same scale.
function cardParts(card, moved) {
  const [wide, deep, high] = card.size_mm;
  const room = Math.max(wide, deep, high) * 1.06;
  const side = ({ name, rows_mm }) => {
    const middle = (Math.min(...rows_mm.map((r) => r[1])) + Math.max(...rows_mm.map((r) => r[2]))) / 2;
    const bottom = rows_mm[0][0];
    const at = (x, z) => `${(x - middle + room / 2).toFixed(1)} ${(room * 0.98 - (z - bottom)).toFixed(1)}`;
    const line = [...rows_mm.map(([z, left]) => at(left, z)), ...[...rows_mm].reverse().map(([z, , right]) => at(right, z))];
    return h("figure", {}, s("svg", { viewBox: `0 0 ${room} ${room}`, role: "img", "aria-label": `The shape, ${name}` },
      s("path", { d: `M${line.join("L")}Z`, fill: "var(--amber-1)", stroke: "var(--ink)", "stroke-width": room / 150 })), h("figcaption", {}, name));
  };
  return [
    card.mouth && moved ? new OpeningEditor(card, moved).element : h("div", { class: "sides" }, card.sides.map(side)),
    h("p", { class: "figures" }, `${length(wide)} wide, ${length(deep)} deep, ${length(high)} high. Skin ${card.area_cm2} cm2, known to ${card.area_error_percent.toFixed(1)} %. It holds ${card.volume_cm3} cm3, known to ${card.volume_error_percent.toFixed(1)} %.`),
    ...card.notes.map((note) => h("p", { class: "figures" }, inWords(note))),
  ];
}
