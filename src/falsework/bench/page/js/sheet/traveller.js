// The traveller: one page that goes to the machine with the filament. What to set, what supports there are, what to
// mind, and a code that leads a phone back to this sheet. It is the first page of everything that is printed.

import { get } from "../api.js";
import { h } from "../dom.js";
import * as words from "../words.js";
import { label, processes } from "./printed.js";
import { totalsOf } from "./foot.js";

const SET = ["layer_height_mm", "first_layer_height_mm", "line_width_mm", "wall_lines", "fan", "speed_mm_s", "structure.interface_layers", "structure.spacing_mm", "structure.side_gap_mm"];
const MOST_MINDED = 6;

function settings(page, plan) {
  const { process } = page.store.sheet, rows = page.settingRows || [];
  if (!page.settingRows) {
    page.settingRows = [];
    processes().then(({ rows: some }) => {
      page.settingRows = some;
      page.renderSoon();
    }, () => { /* the strip says that the bench is away */ });
  }
  const of = (row) => (row.table === "process" ? process[row.field] : process[row.table][row.field]);
  const some = rows.filter((row) => SET.includes(row.key)).map((row) => [label(row), `${of(row)}${row.unit ? `\u00a0${row.unit}` : ""}`]);
  return [
    ["Material", `${process.material.name}, ${words.withUnit(process.material.nozzle_temperature_c, "°C", 0)}`], ["Machine", process.printer.name],
    ["Nozzle", words.withUnit(process.nozzle_mm, "mm")], ...some,
    ["Air gap as printed", `${words.withUnit(plan.gap.realised_mm, "mm")}, ${words.counted(plan.gap.layers, "layer")}`],
  ];
}

export function traveller(page) {
  const { store } = page, { sheet } = store;
  const plan = store.value("release", "plan.json") || store.value("supports", "supports.json");
  const said = store.value("release", "words.json") || store.value("supports", "words.json");
  if (!plan?.gap) return h("section", { class: "traveller", "data-key": "traveller", "aria-hidden": "true" });
  const now = totalsOf(store), supports = plan.pieces.length ? `${words.counted(plan.pieces.length, "piece")}, ${words.mass(plan.support_cost.mass_g)}` : "none";
  return h("section", { class: "traveller", "data-key": "traveller", "aria-hidden": "true" },
    h("p", { class: "doctype" }, "For the machine"),
    h("p", { class: "traveller-title" }, sheet.title),
    h("div", { class: "traveller-head" },
      h("img", { class: "traveller-picture", alt: "", src: page.printed?.picture }),
      h("dl", { class: "traveller-facts" }, [
        ["Size", words.sizeOf(plan.part.size_mm)], ["Machine time", now ? words.duration(now.time) : "–"], ["Filament", now ? words.mass(now.mass) : "–"],
        ["Layers", `${words.number(plan.layers.count, 0)} of ${words.withUnit(sheet.process.layer_height_mm, "mm")}`], ["Supports", supports], ["Part fingerprint", plan.part.digest.slice(0, 12)],
      ].map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value)))),
      h("img", { class: "traveller-code", alt: "", src: page.code })),
    sheet.note ? h("p", { class: "traveller-note" }, h("b", {}, "Note to the operator: "), sheet.note) : null,
    h("p", { class: "verdict" }, said?.verdict.join(" ") || ""),
    h("p", { class: "traveller-part" }, "Set"),
    h("dl", { class: "traveller-facts set" }, settings(page, plan).map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value)))),
    h("p", { class: "traveller-part" }, "Mind"),
    h("ul", { class: "cautions" },
      plan.warnings.slice(0, MOST_MINDED).map((w) => h("li", {}, words.sentence(w.text ?? w))),
      (sheet.cautions || []).slice(0, MOST_MINDED).map(({ head, text }) => h("li", {}, h("b", {}, `${head}: `), `${text}.`))),
    h("p", { class: "sign" }, "Decided by ", h("span", {}), " Printed by ", h("span", {}), " Date ", h("span", {})));
}

/** The picture is that of the sheet's head, or where a narrow page has none of its figures; the code leads to the sheet for whoever is let in. */
export function fillTraveller(page) {
  const picture = document.querySelector(".traveller-picture");
  const figures = [page.portrait, ...page.sections.filter((one) => ["supports", "arrived"].includes(one.key)).reverse()];
  const drawn = figures.map(({ plate }) => plate.canvas).find((canvas) => canvas.clientWidth > 2 && canvas.width > 2);
  if (!picture || !drawn) return;
  page.printed = { picture: drawn.toDataURL("image/png") }; // drawn anew meanwhile, the page keeps it
  picture.src = page.printed.picture;
}

/** The code is fetched once the sheet is there, for printing does not wait. */
export async function fetchCode(page) {
  page.code = (await get(page.store.url("/code"))).picture;
  page.renderSoon();
}

/** Print that page alone. */
export function printTraveller() {
  document.body.classList.add("traveller-only");
  window.print();
  document.body.classList.remove("traveller-only");
}
