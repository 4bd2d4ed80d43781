// Two work orders side by side: what is decided otherwise, what it comes to, and what to do by each.

import { buffers, get } from "../api.js";
import { h, keep, morph } from "../dom.js";
import { Plate } from "../figure/plate.js";
import { bed, dispose, pieces, shell } from "../figure/solids.js";
import { seldom, Stream } from "../live.js";
import * as words from "../words.js";
import { failure, scroll } from "./parts.js";
import { termsOf } from "./price.js";

/** One of the two: its sheet, what was worked out for it, its figure. */
class Side {
  constructor(id, name) {
    this.id = id;
    this.plate = new Plate({ name, label: "The part with its supports", home: "above" });
  }

  async load() {
    this.sheet = await get(`/api/sheets/${this.id}`);
    const { part, release, supports } = this.sheet.stages, key = [part, supports, release].map((s) => (s.state === "ready" ? s.key : "")).join();
    if (key === this.key) return;
    this.key = key;
    const of = (stage, file, how) => (stage.state === "ready" ? how(`/api/results/${stage.key}/${file}`) : null);
    const [plan, said, mesh, coarse, built] = await Promise.all([
      of(release, "plan.json", get), of(release, "words.json", get), of(part, "part.mesh", buffers), of(part, "coarse.mesh", buffers), of(supports, "supports.mesh", buffers)]);
    if (this.key !== key || this.closed) return;
    Object.assign(this, { plan, said });
    this.solids?.forEach(dispose);
    this.solids = mesh ? [shell(mesh, coarse), built && pieces(built)].filter(Boolean) : [];
    if (mesh) this.plate.set({ items: [{ solid: bed(this.solids[0].bounds) }, ...this.solids.map((solid) => ({ solid }))] });
  }

  /** How it stands where there is no plan yet. */
  get waiting() {
    const failed = Object.values(this.sheet.stages).find((stage) => stage.state === "failed");
    return failed ? `${failed.error.subject}: ${failed.error.wrong}.` : "Being worked out…";
  }

  close() {
    this.closed = true;
    this.plate.close();
    this.solids?.forEach(dispose);
  }
}

const sum = (plan, key) => plan.part_cost[key] + plan.support_cost[key];
const ROWS = [
  ["Machine time", (p) => words.duration(sum(p, "time_s")), (p) => sum(p, "time_s")],
  ["Filament", (p) => words.mass(sum(p, "mass_g")), (p) => sum(p, "mass_g")],
  ["Pieces of support", (p) => words.number(p.pieces.length, 0), (p) => p.pieces.length],
  ["Left without support", (p) => words.counted(p.choices.filter((c) => c.chosen === "leave").length, "underside"), null],
  ["Height", (p) => words.withUnit(p.part.size_mm[2], "mm", 1), null],
  ["Cautions", (p) => words.number(p.warnings.length, 0), (p) => p.warnings.length],
];

export class ComparePage {
  constructor(place, one, other) {
    this.place = place;
    this.sides = [new Side(one, "compare-one"), new Side(other, "compare-other")];
    this.loadSoon = seldom(() => this.load());
    this.events = new Stream("/api/events", { sheets: this.loadSoon, bench: this.loadSoon });
    this.load();
  }

  close() {
    this.closed = true;
    this.events.close();
    this.loadSoon.cancel();
    this.sides.forEach((side) => side.close());
  }

  route() {
    document.title = "Two work orders compared: falsework bench";
    this.render();
  }

  commands() {
    return this.sides.filter((side) => side.sheet).map((side) => ({ name: `Open ${side.sheet.title}`, run: () => this.place.querySelector(`[href="/sheets/${side.id}"]`)?.click() }));
  }

  async load() {
    try {
      const [one, other] = this.sides;
      const [{ differs }] = await Promise.all([get(`/api/sheets/${one.id}/against/${other.id}`), ...this.sides.map((side) => side.load())]);
      Object.assign(this, { differs, error: null });
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  render() {
    if (this.closed) return;
    const { differs, error, sides } = this;
    morph(this.place, h("div", { class: "sheet compare" },
      h("p", { class: "doctype" }, "Two work orders"), h("h1", { tabindex: -1 }, "Compared"),
      error ? failure(error, () => this.load()) : null,
      differs ? [this.figures(), h("h2", {}, "What is decided otherwise"), this.differing(), h("p", {}, h("a", { href: "/" }, "To all work orders"))]
        : error ? null : h("p", { role: "status" }, "Being fetched…")));
    for (const [k, side] of sides.entries()) {
      const host = this.place.querySelector(`[data-keep="compare-${k}"]`);
      if (host && side.plate.element.parentNode !== host) host.append(side.plate.element);
    }
  }

  figures() {
    const { sides } = this, plans = sides.map((side) => side.plan);
    const both = plans.every(Boolean);
    const cells = (row, value, measure) => {
      const [a, b] = both && measure ? plans.map(measure) : [0, 0];
      return plans.map((plan, k) => h("td", { class: "n" }, plan ? value(plan) : "…", a !== b && (k ? b < a : a < b) ? h("b", { class: "leave" }, " less") : null));
    };
    const terms = plans.map((plan) => new Map(plan ? termsOf(plan.price) : []));
    const named = [...new Set(terms.flatMap((some) => [...some.keys()]))].sort((a, b) => (a === "Total price") - (b === "Total price"));
    return scroll("Two work orders side by side", h("table", { class: "compared" },
      h("thead", {}, h("tr", {}, h("td", {}), sides.map((side) => h("th", { scope: "col" }, h("a", { href: `/sheets/${side.id}` }, side.sheet.title))))),
      h("tbody", {},
        h("tr", {}, h("th", { scope: "row" }, "Figure"), sides.map((_, k) => h("td", {}, keep(`compare-${k}`)))),
        h("tr", {}, h("th", { scope: "row" }, "What to do"), sides.map((side) => h("td", {}, side.said ? side.said.verdict.join(" ") : side.waiting))),
        ROWS.map(([name, value, measure]) => h("tr", {}, h("th", { scope: "row" }, name), cells(name, value, measure))),
        named.map((name) => h("tr", { class: name === "Total price" ? "sum" : null }, h("th", { scope: "row" }, name === "Total price" ? name : `Of it ${name.toLowerCase()}`),
          terms.map((some, k) => h("td", { class: "n" }, plans[k] ? some.get(name) || "–" : "…")))))));
  }

  differing() {
    const { differs, sides } = this;
    if (!differs.length) return h("p", {}, "Nothing is.");
    return scroll("What is decided otherwise", h("table", { class: "differing" },
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "What"), sides.map((side) => h("th", { scope: "col" }, side.sheet.title)))),
      h("tbody", {}, differs.map((row) => h("tr", { "data-key": row.what }, h("th", { scope: "row" }, row.what), h("td", {}, row.then), h("td", {}, row.now))))));
  }
}
