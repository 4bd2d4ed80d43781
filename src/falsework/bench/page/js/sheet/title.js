// The head of the work order: its name, the block of facts, and what to do in a few sentences.

import { h, keep, unseen } from "../dom.js";
import { Plate } from "../figure/plate.js";
import { bed, pieces, shell } from "../figure/solids.js";
import { address } from "../route.js";
import * as words from "../words.js";
import { best } from "./best.js";
import { STAGES } from "./store.js";

function facts(store) {
  const part = store.value("part", "part.json")?.part, inspection = store.value("undersides", "inspection.json");
  const { process, choices, part: file } = { ...store.sheet, choices: store.choices };
  const turn = choices.turn_deg || [0, 0, 0], own = Object.keys(choices.settings || {}).length;
  const layers = inspection && `${words.number(inspection.layers.count, 0)} of ${words.withUnit(process.layer_height_mm, "mm")}`;
  return [
    ["Size", part ? words.sizeOf(part.size_mm) : "…", "Process", choices.process + (own ? `, ${words.counted(own, "setting")} changed` : "")],
    ["Volume", part ? words.withUnit(part.volume_mm3 / 1000, "cm³") : "…", "Material", `${process.material.name}, ${words.withUnit(process.material.nozzle_temperature_c, "°C", 0)}`],
    ["Layers", layers || "…", "Machine", process.printer.name],
    ["Turned", words.turned(turn) + (choices.scale && choices.scale !== 1 ? `; scaled × ${words.number(choices.scale)}` : ""), "Part fingerprint", h("span", { class: "code" }, (part?.digest || file.digest).slice(0, 12))],
  ];
}

function renaming(page) {
  const { store } = page;
  const field = store.field("title", { read: () => store.sheet.title, change: (title) => ({ title }) });
  const done = async (keeps) => {
    if (!keeps || !field.text.trim()) field.letGo();
    else await field.commit();
    page.renaming = Boolean(field.draft);
    page.renderSoon();
  };
  return h("form", {
    class: "renaming", onsubmit: (event) => {
      event.preventDefault();
      done(true);
    },
  },
  h("label", { for: "title-field" }, "Name of this work order"),
  h("input", {
    ...field.attributes(), id: "title-field", name: "title", maxlength: 200, required: true, autocomplete: "off", onchange: null,
    onkeydown: (event) => event.key === "Escape" && done(false),
  }),
  h("button", { type: "submit" }, "Keep the name"),
  field.said("the name"));
}

/** What to do, as the plan words it; until it is there, what is awaited. */
function verdict(store) {
  const stages = ["release", "supports"];
  for (const stage of stages) {
    const { value, stale } = store.result(stage, "words.json");
    if (value) return h("p", { class: `verdict${stale ? " stale" : ""}` }, value.verdict.join(" "), stale && h("span", { class: "stale-mark" }, " out of date"));
  }
  if (STAGES.some((name) => store.stage(name).state === "failed")) return null;
  return h("p", { class: "verdict waiting" }, "The sheet fills itself in below; what to do will be said here.");
}

/** A button to where a caution is, in the figure that shows it. */
function placeOf(page, notice) {
  const piece = notice.piece ?? notice.pieces?.[0], underside = notice.underside ?? notice.undersides?.[0] ?? notice.number;
  const goes = piece ? ["supports", { piece, number: 0 }] : underside ? ["undersides", { number: underside, piece: 0 }] : null;
  return goes && h("button", {
    type: "button", class: "quiet no-print", onclick: () => {
      page.select(...goes);
      page.goTo(goes[0], true);
      page.select(...goes);
    },
  }, "Show it", unseen(`: ${notice.text}`));
}

export function titleBlock(page) {
  const { store } = page, { sheet } = store;
  const warnings = (store.value("release", "plan.json") || store.value("supports", "supports.json"))?.warnings || [];
  const note = store.field("note", { read: () => store.sheet.note || "", change: (text) => ({ note: text }) });
  const others = store.people > 1 ? `${words.counted(store.people, "browser")} have this sheet open. ` : "";
  return h("header", { class: "title", "data-key": "title" },
    keep("portrait", { class: "portrait" }),
    h("p", { class: "doctype" }, "Work order"),
    page.renaming ? renaming(page) : h("div", { class: "name-line" },
      h("h1", { tabindex: -1 }, sheet.title),
      h("button", {
        type: "button", class: "quiet no-print", onclick: () => page.rename(),
      }, "Rename", unseen(" this work order"))),
    h("table", { class: "block" }, h("caption", { class: "unseen" }, "Part and process"),
      h("tbody", {}, facts(store).map(([a, b, c, d]) =>
        h("tr", {}, h("th", { scope: "row" }, a), h("td", {}, b), h("th", { scope: "row" }, c), h("td", {}, d))))),
    verdict(store),
    best(page),
    warnings.length ? h("div", { class: "mind" }, h("h2", { class: "minor" }, "Attention"), h("ul", {}, warnings.map((w) => h("li", {}, words.sentence(w.text ?? w), " ", placeOf(page, w))))) : null,
    h("p", { class: "note" },
      h("label", { for: "note-field" }, "Note to the operator"),
      h("textarea", { ...note.attributes(), id: "note-field", rows: note.text ? 3 : 1, maxlength: 5000 })),
    note.said("the note to the operator"),
    h("p", { class: "sub no-print" }, `${others}Last changed ${words.moment(sheet.changed)}. `,
      h("a", { href: address(["sheets", sheet.id, "history"]) }, "Its history")),
    h("p", { class: "sign", "aria-hidden": "true" }, "Decided by ", h("span", {}), " Done by ", h("span", {}), " Date ", h("span", {})));
}

/** A small picture of the part at the head of the sheet, as it will be printed. */
export class Portrait {
  constructor(page) {
    this.page = page;
    this.plate = new Plate({ name: "portrait", label: "The part with its supports, from above", home: "above", small: true });
  }

  mount(place) {
    const host = place.querySelector("[data-keep='portrait']");
    if (host && this.plate.element.parentNode !== host) host.append(this.plate.element);
    const { store } = this.page;
    const part = store.results("part", "part.mesh", "coarse.mesh"), built = store.results("supports", "supports.mesh");
    const fits = store.fits(built, part) && !built.stale;
    const key = `${part.key} ${fits ? built.key : ""}`;
    if (!part.values || this.drawn === key) return;
    this.drawn = key;
    const solid = this.page.shared("shell", part.key, () => shell(...part.values));
    const support = fits && this.page.shared("pieces", built.key, () => pieces(built.values[0]));
    this.plate.set({ items: [{ solid: bed(solid.bounds) }, { solid }, { solid: support }] });
  }

  close() {
    this.plate.close();
  }
}
