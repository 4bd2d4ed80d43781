// Section 3: how it should lie. Alternatives side by side, their prices drawn, and what is marked on the part.

import { cautionList } from "../cautions.js";
import { h, keep, unseen } from "../dom.js";
import { multiplied, turnedBack, turnMatrix } from "../figure/eye.js";
import { Plate } from "../figure/plate.js";
import { bed, turnedBounds } from "../figure/solids.js";
import { total } from "./price.js";
import * as words from "../words.js";
import { Marks } from "./marks.js";
import { pareto } from "./pareto.js";
import { instead, progress, scroll } from "./parts.js";
import { Section } from "./section.js";
import { sphere } from "./sphere.js";
import { openBeside } from "./taking.js";

const same = (a, b) => a.every((v, k) => Math.abs(v - b[k]) < 1e-6);
const minutes = (seconds) => words.duration(seconds);
const area = (mm2) => words.withUnit(mm2 / 100, "cm²", 1);

/** The ways shown, numbered from 1: the front, then the recommended and the present one unless among it. */
export function waysOf(lies) {
  const some = [...lies.front];
  for (const lie of [lies.recommended, lies.today]) {
    if (!some.some((one) => same(one.turn_deg, lie.turn_deg))) some.push(lie);
  }
  return some.map((lie, k) => ({
    lie, number: k + 1,
    recommended: same(lie.turn_deg, lies.recommended.turn_deg), today: same(lie.turn_deg, lies.today.turn_deg),
  }));
}

const ROWS = [
  ["Total price", (l) => (l.proof ? words.price(total(l.price)) : "–"), "printing, finish, hands, risk"],
  ["Supports", (l) => (l.needs_no_support ? "none" : words.mass(l.support_g))],
  ["Area needing support", (l) => area(l.contact_mm2)],
  ["Faces to keep clean", (l) => words.price(l.price.show), "spoilt, as a price", "show"],
  ["Time", (l) => minutes(l.time_s)],
  ["Filament", (l) => words.mass(l.filament_g)],
  ["Height", (l) => words.withUnit(l.height_mm, "mm", 0)],
  ["Supports that come off hard", (l) => (l.proof ? `${l.proof.hard} of ${l.proof.pieces}` : "–")],
  ["Stands while printed", (l) => (!l.proof ? "–" : l.proof.stands ? "yes" : l.proof.rim_mm > 0 ? `with a rim of ${words.withUnit(l.proof.rim_mm, "mm", 1)}` : "no")],
  ["On the bed", (l) => area(l.proof ? l.proof.first_layer_mm2 : l.base_mm2), "first layer"],
  ["Load across layers", (l) => words.share(l.across_layers), "", "load"],
  ["Ready to print", (l) => (!l.fits ? `no: ${l.misfit}` : !l.proof ? "–" : l.proof.ready ? "yes" : `no: ${l.proof.why_not.join("; ")}`)],
];

export class Lies extends Section {
  key = "lie";
  title = "Position on the bed";
  short = "Position";
  stages = ["lies"];

  constructor(page) {
    super(page);
    this.plate = new Plate({
      name: "lie", label: "The part in the position that is looked at", home: "above",
      help: "While marking: arrow keys move the ring, Enter or Space marks what is in it, Shift with arrow keys turns the part.",
    });
    this.plate.tagKind = 0;
    this.plate.on.eye = () => page.noteLook(this, this.plate.eyeText);
    this.small = new Map();
    this.marks = new Marks(this);
  }

  get files() {
    return [["lies", "lies.json"]];
  }

  /** Searched while somebody looks here, again after a change that matters to it, unless it was stopped. */
  seen() {
    const { store } = this, { state, key } = store.stage("lies");
    if (!this.inView || state !== "idle" || key === this.askedKey || store.declined.has("lies")) return;
    if (store.stage("part").state !== "ready" || store.pending.length) return;
    this.askedKey = key;
    store.ask("lies");
  }

  get ways() {
    const lies = this.store.value("lies", "lies.json");
    if (lies !== this.lies) {
      this.lies = lies;
      this.waysOfLies = lies ? waysOf(lies) : [];
    }
    return this.waysOfLies || [];
  }

  /** The way that is looked at: the one selected, else the one the sheet lays. */
  get looked() {
    const { ways } = this, turn = this.store.choices.turn_deg || [0, 0, 0];
    return ways.find((way) => way.number === this.page.ui.way) || ways.find((way) => same(way.lie.turn_deg, turn)) || null;
  }

  pick(number) {
    this.page.select("lie", { way: number });
  }

  lay(way) {
    this.store.choose({ turn_deg: way.lie.turn_deg });
    this.page.select("lie", { way: 0 });
  }

  pointed(kind, number) {
    if (kind === "way" && !number) this.draw();
    else if (kind === "way") this.draw(this.ways.find((way) => way.number === number));
  }

  view() {
    const { store } = this;
    const { value: lies, stale } = store.result("lies", "lies.json");
    const waiting = instead(store, ["lies"], lies, "the search for better positions",
      "Positions on the bed, side by side with their prices, will be shown here.");
    this.draw();
    this.seen();
    if (!lies) return [waiting, this.marks.view()];
    const { ways, looked } = this, turn = store.choices.turn_deg || [0, 0, 0];
    const laid = ways.find((way) => same(way.lie.turn_deg, turn));
    const withShow = Boolean(lies.show.directions.length || lies.show.face_sets.length || lies.spare?.directions.length || lies.spare?.face_sets.length);
    const other = looked && looked !== laid;
    return [
      stale && store.stage("lies").state !== "idle" && store.stage("lies").state !== "ready" ? progress(store, "lies", "the search for better positions") : waiting,
      stale && store.stage("lies").state === "idle" ? h("p", {}, "What the search rests on has changed since. ", h("button", { type: "button", onclick: () => store.ask("lies") }, "Search again")) : null,
      h("div", { class: stale ? "stale" : null },
        h("p", { class: "verdict" }, words.sentence(lies.why)),
        h("p", { role: "status" }, laid ? `The sheet has it in position ${laid.number}${laid.today ? ", as it came" : ""}.` : "The sheet has it in a position of your own.",
          other ? ` You are looking at position ${looked.number}. ` : " ",
          other && [h("button", { type: "button", class: "strong", onclick: () => this.lay(looked) }, `Take position ${looked.number}`), " ",
            h("button", { type: "button", onclick: () => openBeside(this.page, { turn_deg: looked.lie.turn_deg }, looked.lie.label) }, "Open it beside this one", unseen(`: position ${looked.number}`))]),
        this.table(ways, looked, laid, withShow, lies.load_axis !== null),
        h("h3", {}, "What it costs to print against what it costs besides"),
        pareto(ways.map(({ lie, number, recommended, today }) => ({
          number, printing: lie.price.filament + lie.price.time, finish: total(lie.price) - lie.price.filament - lie.price.time,
          shape: recommended ? "recommended" : today ? "today" : "other", word: recommended ? "recommended" : today ? "as it came" : "",
        })), { chosen: looked?.number, withShow, on: { pick: (n) => this.pick(n), hover: (n) => this.page.hover("way", n) } }),
        h("p", { class: "sub" }, "Total price: filament, machine time, spoilt surface, hand work and risk, with the same weights. Square: recommended; diamond: as it came; circles: the others. Nearer to the lower left is better. ",
          words.sentence(lies.error), ` ${words.number(lies.searched, 0)} directions were looked at; in ${words.number(lies.supportless, 0)} it needs no support.`),
        keep("sphere")),
      cautionList(["turn"]),
      this.marks.view(),
    ];
  }

  table(ways, looked, laid, withShow, withLoad) {
    const rows = ROWS.filter(([, , , only]) => !only || (only === "show" ? withShow : withLoad));
    const over = (number) => ({
      "data-way": number, onpointerenter: () => this.page.hover("way", number), onpointerleave: () => this.page.hover("way", 0),
    });
    const classes = (way) => `way${way === looked ? " looked" : ""}${way === laid ? " laid" : ""}`;
    return scroll("Positions on the bed, side by side", h("table", { class: "ways" },
      h("thead", {}, h("tr", {}, h("td", {}, unseen("Figure")), ways.map((way) => h("th", {
        scope: "col", class: classes(way), "data-key": `way-${way.number}`, ...over(way.number),
      },
      keep(`way-picture-${way.number}`, { class: "way-picture" }),
      h("button", { type: "button", class: "way-name", "aria-pressed": way === looked ? "true" : "false", onclick: () => this.pick(way.number) },
        h("b", {}, way.number), ` ${way.lie.label}`),
      h("span", { class: "sub" }, way.today ? "not turned" : `turned ${words.turned(way.lie.turn_deg)}`),
      way === laid ? h("span", { class: "laid-mark" }, "✓ taken")
        : h("button", { type: "button", class: "quiet", onclick: () => this.lay(way) }, "Take it", unseen(`: position ${way.number}`)))))),
      h("tbody", {}, rows.map(([name, value, help]) => h("tr", {},
        h("th", { scope: "row" }, name, help && h("span", { class: "sub" }, help)),
        ways.map((way) => h("td", { class: `n ${classes(way)}`, ...over(way.number) }, value(way.lie))))))));
  }

  mount(place) {
    super.mount(place);
    const round = place.querySelector("[data-keep='sphere']"), drawing = this.store.value("lies", "sphere.json");
    if (round && drawing && round.drawing !== drawing) { // its cells are many: drawn once for each result
      round.drawing = drawing;
      round.replaceChildren(...sphere(drawing));
    }
    for (const host of place.querySelectorAll("[data-keep^='way-picture-']")) {
      const number = Number(host.dataset.keep.split("-").at(-1)), way = this.ways[number - 1];
      if (!way || !this.solid) continue;
      const key = `${this.solidKey} ${way.lie.turn_deg}`;
      let plate = this.small.get(number);
      if (!plate) {
        plate = new Plate({ name: `way-${number}`, label: `Position ${number}, from the front, left`, home: "above", small: true });
        this.small.set(number, plate);
      }
      if (plate.element.parentNode !== host) host.append(plate.element);
      if (plate.shownKey !== key) {
        plate.shownKey = key;
        plate.set({ items: this.laidItems(way.lie) });
      }
    }
  }

  /** Part and bed as they are when the part lies so; faces past the limit are hatched. */
  laidItems(lie) {
    const turn = multiplied(turnMatrix(lie.turn_deg), turnedBack(turnMatrix(this.placedTurn)));
    const thin = (this.solid.thin || this.solid.geometry).getAttribute("position").array;
    const [low, high] = turnedBounds(thin, turn);
    const shift = [0, 0, -low[2]], bounds = [[low[0], low[1], 0], [high[0], high[1], high[2] - low[2]]];
    const limit = this.store.value("undersides", "inspection.json")?.limit_deg;
    const past = limit === undefined ? {} : { pastLimit: -Math.sin((Math.min(limit + 0.5, 90) * Math.PI) / 180), bedBand: 0.3 };
    return [{ solid: bed(bounds) }, { solid: this.solid, turn, shift, bounds, ...past }];
  }

  draw(over = null) {
    const part = this.part();
    if (!part.values) return;
    this.solid = this.shell(part);
    this.solidKey = part.key;
    this.placedTurn = part.values[2].part.turn_deg;
    if (this.marks.tool !== "look" || this.marks.anything) this.marks.draw(over);
    else this.drawWay(over);
  }

  drawWay(over) {
    const way = over || this.looked;
    const lie = way?.lie || { turn_deg: this.placedTurn };
    const limit = this.store.value("undersides", "inspection.json")?.limit_deg;
    const key = `${this.solidKey} ${lie.turn_deg} ${limit}`;
    if (this.drawn === key) return;
    this.drawn = key;
    this.plate.set({ items: this.laidItems(lie), arrows: this.marks.arrows(lie.turn_deg) });
    const past = limit === undefined ? "" : ` Faces past the limit of ${words.withUnit(limit, "°", 0)} from the vertical are hatched, whatever stands beneath them.`;
    this.plate.say((way ? `Position ${way.number}: ${way.lie.label}.` : "As the sheet has it.") + past);
  }

  close() {
    super.close();
    this.small.forEach((plate) => plate.close());
  }
}
