// Section 8: what it comes to. The standings side by side, what is weighed, and the cost as built.

import { h, unseen } from "../dom.js";
import * as words from "../words.js";
import { processes } from "./printed.js";
import { instead, scroll } from "./parts.js";
import { opened, priceNow, total } from "./price.js";
import { Section } from "./section.js";

const NAME = { leave: "no support", bed: "all that can, from the bed", "bed-or-part": "all, from bed or part", chosen: "chosen" };
const WEIGH = {
  finish_per_cm2: ["A square centimetre of spoilt finish costs", words.PRICE_UNIT],
  filament: ["Filament counts", "times its price"],
  time: ["Machine time counts", "times its price"],
  hands_per_hour: ["An hour of hand work costs", words.PRICE_UNIT],
};

/** How dear it is beside the least of them. */
const bar = (price, least) => h("meter", { min: 0, max: 100, value: 100 * Math.min(1, least > 0 ? total(price) / (4 * least) : 0), "aria-hidden": "true" });

export class Comes extends Section {
  key = "totals";
  title = "Totals";
  stages = ["totals"];

  constructor(page) {
    super(page);
    processes().then(({ weights }) => {
      this.weighRows = weights;
      page.renderSoon();
    }, () => { /* the strip says that the bench is away */ });
  }

  get files() {
    return [["totals", "totals.json"]];
  }

  view() {
    const { store } = this, totals = store.value("totals", "totals.json");
    if (!totals) return instead(store, ["part", "undersides", "totals"], null, "adding up", "No support, support from the bed, from bed or part, and what is chosen will stand here side by side.");
    const { standing } = store.choices;
    const heads = ["Filament", "Time", "To print", "Left in whole or part", "Area left", "Contact under the part", "Part surface marked by support feet", "Total price"];
    const least = Math.min(...totals.alternatives.map((a) => total(a.price)));
    return [
      instead(store, ["totals"], totals, "adding up", ""),
      scroll("Where supports start, side by side", h("table", { class: "standings" },
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Supports start"), heads.map((t) => h("th", { scope: "col", class: "n" }, t)), h("th", { scope: "col", class: "no-print" }, unseen("Take it")))),
        h("tbody", {}, totals.alternatives.map((a) => this.row(a, standing, least)), this.asBuilt(least)))),
      h("p", { class: "sub" }, `Filament, time, what they cost to print, and areas are of support alone, all estimated alike from filled columns, but for the last row. Total price: of part and supports, with spoilt surface, hand work and risk at the prices below; the least is best. ${words.PRICE_UNIT} is the currency of the process.`),
      this.weighing(),
      this.built(),
    ];
  }

  row(a, standing, least) {
    const chosen = a.name === "chosen", asked = a.name === standing || (chosen && standing === "auto");
    return h("tr", { class: chosen ? "chosen" : null, "data-key": `alternative-${a.name}` },
      h("th", { scope: "row" }, chosen && h("span", { "aria-hidden": "true" }, "▶ "), NAME[a.name] || a.name),
      [words.mass(a.cost.mass_g), words.duration(a.cost.time_s), words.price(a.cost.price), words.counted(a.left_count, "underside"),
        words.withUnit(a.left_mm2, "mm²"), words.withUnit(a.contact_mm2, "mm²"), words.withUnit(a.scar_mm2, "mm²")].map((cell) => h("td", { class: "n" }, cell)),
      h("td", { class: "n" }, opened(a.price, "about"), bar(a.price, least)),
      h("td", { class: "no-print" }, chosen
        ? h("button", { type: "button", class: "quiet", disabled: standing === "auto", onclick: () => this.store.choose({ standing: "auto" }) }, standing === "auto" ? "✓ automatic" : "Choose automatic")
        : h("button", { type: "button", class: "quiet", "aria-pressed": asked ? "true" : "false", onclick: () => this.store.choose({ standing: asked ? "auto" : a.name }) }, asked ? "✓ asked for" : "Take it", unseen(`: ${NAME[a.name]}`))));
  }

  /** What is chosen, as it was built: the strip's numbers. */
  asBuilt(least) {
    const price = priceNow(this.store), plan = this.store.value("supports", "supports.json");
    if (!price || !plan) return null;
    const { support_cost: cost, pieces } = plan, sum = (key) => pieces.reduce((all, piece) => all + piece[key], 0);
    return h("tr", { class: "as-built", "data-key": "as-built" },
      h("th", { scope: "row" }, "chosen, as built"),
      [words.mass(cost.mass_g), words.duration(cost.time_s), words.price(cost.price), "–", "–", words.withUnit(sum("contact_mm2"), "mm²"), words.withUnit(sum("scar_mm2"), "mm²")].map((cell) => h("td", { class: "n" }, cell)),
      h("td", { class: "n" }, opened(price, ""), bar(price, least)), h("td", { class: "no-print" }));
  }

  weighing() {
    const { store } = this;
    const defaults = Object.fromEntries((this.weighRows || []).map((row) => [row.field, row.default]));
    return h("form", { class: "inline weighing no-print", onsubmit: (e) => e.preventDefault() },
      Object.entries(WEIGH).map(([name, [before, after]]) => {
        const field = store.field(`weights.${name}`, {
          number: true, read: () => String(store.sheet.choices.weights?.[name] ?? defaults[name] ?? ""),
          change: (text) => ({ choices: { weights: { [name]: text === "" ? null : Number(text) } } }),
        });
        return [h("label", { class: "weigh" }, `${before} `, h("input", { ...field.attributes(), class: "short", inputmode: "decimal", autocomplete: "off" }), ` ${after}`),
          field.said(before)];
      }));
  }

  built() {
    const { value: plan, stale } = this.store.result("supports", "supports.json");
    if (!plan) return null;
    const add = (a, b) => Object.fromEntries(Object.keys(a).map((k) => [k, a[k] + b[k]]));
    const rows = [["part", plan.part_cost], ["support, as built", plan.support_cost], ["together", add(plan.part_cost, plan.support_cost)]];
    return [h("h3", {}, "As built", stale && h("span", { class: "stale-mark" }, " out of date")),
      scroll("Cost as built", h("table", { class: stale ? "stale" : null },
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, unseen("What")), ["Volume", "Filament", "Mass", "Time", "To print"].map((t) => h("th", { scope: "col", class: "n" }, t)))),
        h("tbody", {}, rows.map(([name, cost], k) => h("tr", { class: k === 2 ? "sum" : null }, h("th", { scope: "row" }, name),
          [words.withUnit(cost.volume_mm3 / 1000, "cm³"), words.withUnit(cost.filament_mm / 1000, "m"), words.mass(cost.mass_g), words.duration(cost.time_s), words.price(cost.price)]
            .map((cell) => h("td", { class: "n" }, cell))))))),
      h("p", { class: "sub" }, `Filament at ${words.number(plan.process.material.price_per_kg, 2)} ${words.PRICE_UNIT}/kg and the machine at ${words.number(plan.process.printer.price_per_hour, 2)} ${words.PRICE_UNIT}/h.`)];
  }
}
