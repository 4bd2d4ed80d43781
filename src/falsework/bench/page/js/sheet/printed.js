// Section 2: printed with. The process, and what was changed in it for this sheet.

import { get } from "../api.js";
import { h, unseen } from "../dom.js";
import * as words from "../words.js";
import { Section } from "./section.js";

const OFTEN = ["layer_height_mm", "structure.air_gap_layers", "structure.interface_layers", "structure.spacing_mm", "structure.weave", "structure.side_gap_mm"];
const TABLE = { process: "How it is printed", printer: "The machine", material: "The material", structure: "How supports are built" };
let known = null;

/** Registry and processes, fetched once; `again` after a process was kept. */
export async function processes(again = false) {
  if (!known || again) known = Promise.all([get("/api/registry"), get("/api/processes")]);
  const [registry, list] = await known;
  return { rows: registry.process, weights: registry.weights, list: list.processes };
}

/** `air_gap_layers` as a label: air gap, in layers. */
export function label(row) {
  const plain = row.field.replace(/_(mm3|mm2|mm_s2|mm_s|mm|deg|c|g_cm3|per_kg|per_hour|j_kg_k|w_m_k|gpa|mpa|pa_s|k)$/, "");
  return plain.replaceAll("_", " ");
}

export class Printed extends Section {
  key = "printed";
  title = "Printed with";
  stages = [];

  constructor(page) {
    super(page);
    processes().then((some) => {
      this.known = some;
      page.renderSoon();
    }, () => { /* the strip says that the bench is away */ });
  }

  view() {
    const { store } = this, { process } = store.sheet, { choices } = store;
    if (!this.known) return h("p", {}, "The list of processes is being fetched…");
    const { rows, list } = this.known;
    const by = new Map(rows.map((row) => [row.key, row]));
    const chosen = list.find((one) => one.name === choices.process);
    const changed = Object.keys(choices.settings || {});
    return [
      h("form", { class: "inline", onsubmit: (event) => event.preventDefault() },
        h("label", { for: "process-name" }, "Process ",
          h("select", { id: "process-name", value: choices.process, onchange: (e) => store.choose({ process: e.target.value }) },
            [[true, "built in"], [false, "kept here"]].map(([builtin, group]) => {
              const some = list.filter((one) => one.builtin === builtin);
              return some.length ? h("optgroup", { label: group }, some.map((one) => h("option", { value: one.name }, one.name))) : null;
            }))),
        chosen?.basis ? h("span", { class: "sub" }, chosen.basis) : null),
      h("p", {}, `${process.material.name} through a ${words.withUnit(process.nozzle_mm, "mm")} nozzle in layers of ${words.withUnit(process.layer_height_mm, "mm")}, lines ${words.withUnit(process.line_width_mm, "mm")} wide, fan at ${words.share(process.fan)}.`),
      changed.length ? h("p", {}, `Changed for this sheet: ${words.listed(changed.map((key) => label(by.get(key) || { field: key })))}.`) : null,
      h("div", { class: "settings-grid", role: "group", "aria-label": "Often changed" }, OFTEN.filter((key) => by.has(key)).map((key) => this.setting(by.get(key)))),
      h("details", { "data-key": "all-settings" }, h("summary", {}, "All settings, with what they mean and where the values come from"),
        Object.entries(TABLE).map(([table, title]) => h("fieldset", { class: "settings-table" }, h("legend", {}, title),
          h("div", { class: "settings-grid" }, rows.filter((row) => row.table === table && row.field !== "name").map((row) => this.setting(row, true)))))),
    ];
  }

  setting(row, whole = false) {
    const { store } = this, { process } = store.sheet;
    const given = store.choices.settings?.[row.key];
    const now = given ?? String(row.table === "process" ? process[row.field] : process[row.table][row.field]);
    const id = `set-${row.key}${whole ? "-all" : ""}`;
    const change = (value) => store.choose({ settings: { [row.key]: value } });
    const kept = () => store.sheet.choices.settings?.[row.key] ?? String(row.table === "process" ? process[row.field] : process[row.table][row.field]);
    const written = row.choices?.length ? null : store.field(`settings.${row.key}`, {
      read: kept, number: row.type !== "str", change: (text) => ({ choices: { settings: { [row.key]: text.trim() || null } } }),
    });
    const range = row.type !== "str" && row.low !== null && row.low !== undefined ? `${words.number(row.low, row.low % 1 ? 2 : 0)} to ${words.number(row.high, row.high % 1 ? 2 : 0)}` : "";
    const field = row.choices?.length
      ? h("select", { id, value: now, onchange: (e) => change(e.target.value) }, row.choices.map((c) => h("option", { value: c }, c)))
      : h("input", {
        "aria-describedby": whole ? `${id}-help` : null, ...written.attributes(id), id, class: "short", autocomplete: "off", inputmode: row.type === "str" ? null : "decimal",
      });
    return h("div", { class: `setting${given === undefined ? "" : " changed"}`, "data-key": id },
      h("label", { for: id }, label(row), row.unit ? h("span", { class: "sub" }, ` ${row.unit.startsWith("per ") ? `${words.PRICE_UNIT} ` : ""}${row.unit}`) : null),
      h("span", { class: "field" }, field,
        given === undefined ? null : h("button", { type: "button", class: "quiet", onclick: () => { written?.letGo(); change(null); } }, "Put back", unseen(` ${label(row)}`))),
      written?.said(label(row), id),
      whole ? h("span", { class: "sub", id: `${id}-help` }, `${words.sentence(row.help)} ${range ? `${range}. ` : ""}${row.source ? `Built-in value: ${row.source}.` : ""}`) : null);
  }
}
