// Section 4: undersides. A numbered table and a figure that point at each other; every decision with its price.

import { css, droopTone, HATCH_OF_KIND, hatchSample, inkOn, kindMark, LEAST_MM, scalePosition, swatch, TICKS_MM, MOST_MM } from "../colour.js";
import { h, s, unseen } from "../dom.js";
import { Plate } from "../figure/plate.js";
import { looksTexture, PATCH, patches } from "../figure/solids.js";
import * as words from "../words.js";
import { heights } from "./heights.js";
import { instead, intervalBar, scroll } from "./parts.js";
import { termsOf, total } from "./price.js";
import { Section } from "./section.js";

const SHOWN = 30; // rows in the open table; the rest are folded away
const STANDINGS = ["leave", "bed", "bed-or-part"];
const KINDS = ["holds", "bridge", "cantilever", "island"];
const MANY = { holds: "that print unaided", bridge: "bridges", cantilever: "cantilevers", island: "islands" };

/** Tones of undersides by their droop, for the figures. */
export const undersideLooks = (undersides) => looksTexture(undersides.map((u) => {
  const tone = droopTone(u.droop_mm.value);
  return { tone, ink: inkOn(tone), hatch: HATCH_OF_KIND[u.kind] };
}));

/** Whether a standing does anything for an underside: what the bed cannot reach is not offered from the bed. */
const reached = (option, u) => option.standing === "leave" || option.left_mm2 < 0.98 * u.area_mm2;

const sparedOf = (totals, number) => totals?.sparing?.undersides.find((one) => one.number === number);

/** What of an underside is left for faces supports must not touch, as a sentence; "" for none. */
export function sparedWords(spared, choices) {
  if (!spared) return "";
  const own = words.withUnit(spared.own_mm2, "mm²"), landing = words.withUnit(spared.landing_mm2, "mm²");
  const choice = choices?.find((one) => one.underside === spared.number);
  if (spared.whole) return `lies on them altogether and is ${choice && choice.chosen !== "leave" ? "carried all the same, by your decision" : "left"}.`;
  const said = [spared.own_mm2 >= 0.05 ? `${own} lie on them` : "", spared.landing_mm2 >= 0.05 ? `${landing} could be carried only by standing on them` : ""];
  return `${said.filter(Boolean).join("; ")}.`;
}

export class Undersides extends Section {
  key = "undersides";
  title = "Undersides";
  stages = ["undersides", "totals"];

  constructor(page) {
    super(page);
    this.plate = new Plate({ name: "undersides", label: "Undersides, numbered, tinted by sag", home: "below" });
    Object.assign(this.plate, { tagKind: PATCH });
    Object.assign(this.plate.on, {
      hover: (number) => page.hover("underside", number),
      pick: (number) => this.pick(number),
      eye: () => page.noteLook(this, this.plate.eyeText),
      seen: () => page.renderSoon(),
    });
    this.beside = [legend()];
  }

  get files() {
    return [["undersides", "inspection.json"], ["totals", "totals.json"]];
  }

  pick(number, { open = true } = {}) {
    this.page.select("undersides", { number: open ? number : 0 });
  }

  pointed(kind, number) {
    if (kind === "underside") this.plate.point(number);
  }

  view() {
    const { store } = this;
    const inspection = store.value("undersides", "inspection.json"), totals = store.value("totals", "totals.json");
    this.draw();
    if (!inspection) return instead(store, ["part", "undersides"], null, "finding the undersides", "What is printed over air, numbered, with its sag and its price, will stand here.");
    const { undersides } = inspection;
    const intro = `where a layer reaches more than ${words.withUnit(inspection.reach_mm, "mm")} past the one beneath it (${words.withUnit(inspection.limit_deg, "°", 0)} from the vertical at this layer height)`;
    if (!undersides.length) return h("p", { class: "verdict" }, `None: nothing is printed over air, ${intro}. It needs no support.`);
    const byNumber = new Map((totals?.choices || []).map((c) => [c.underside, c]));
    const open = this.page.ui.number;
    const cut = this.all || undersides.slice(SHOWN).some((u) => u.number === open) ? undersides.length : SHOWN;
    return [
      instead(store, ["undersides", "totals"], totals, "adding up", "Prices will stand in the table."),
      h("p", {}, `Patches printed over air, worst first: ${intro}. Angles are from the vertical, 90° is flat.`),
      this.allOfAKind(undersides),
      scroll("Table of undersides", h("table", { class: "undersides" },
        h("caption", { class: "unseen" }, "Undersides, worst first"),
        h("thead", {}, h("tr", {}, [["No.", "n"], ["Kind"], ["Area", "n wide-only"]]
          .map(([name, c]) => h("th", { scope: "col", class: c }, name)),
        h("th", { scope: "col", class: "n wide-only" }, "Span or free length", h("span", { class: "sub" }, "angle, from height")),
        h("th", { scope: "col", class: "n" }, "Sag without support", h("span", { class: "sub" }, "90 % interval")),
        h("th", { scope: "col" }, "Decision"), h("th", { scope: "col", class: "n wide-only" }, "Its support costs"))),
        h("tbody", {}, undersides.slice(0, cut).flatMap((u) => this.rows(u, byNumber.get(u.number), totals, open))))),
      cut < undersides.length ? h("p", {}, h("button", { type: "button", onclick: () => { this.all = true; this.page.renderSoon(); } }, `Show the other ${undersides.length - cut}`)) : null,
      this.seenWords(undersides),
      h("h3", {}, "By height"),
      heights(inspection, { chosen: open, on: { pick: (n) => this.pick(n), hover: (n) => this.page.hover("underside", n) } }),
    ];
  }

  rows(u, choice, totals, open) {
    const isOpen = open === u.number;
    const row = h("tr", {
      "data-underside": u.number, "data-key": `underside-${u.number}`, class: isOpen ? "open" : null,
      onpointerenter: () => this.page.hover("underside", u.number), onpointerleave: () => this.page.hover("underside", 0),
      onfocusin: () => this.page.hover("underside", u.number),
      onclick: (event) => { if (!event.target.closest("select, button")) this.pick(u.number, { open: !isOpen }); },
    },
    h("th", { scope: "row", class: "n" }, h("button", {
      type: "button", class: "number", "aria-expanded": isOpen ? "true" : "false", "aria-controls": `docket-${u.number}`,
      "aria-label": `Number ${u.number}: evidence and options`, onclick: () => this.pick(u.number, { open: !isOpen }),
      onkeydown: (event) => this.arrows(event, u.number),
    }, u.number)),
    h("td", { class: "kind" }, kindMark(u.kind), ` ${words.KIND[u.kind]}`),
    h("td", { class: "n wide-only" }, words.withUnit(u.area_mm2, "mm²")),
    h("td", { class: "n wide-only" }, u.kind === "bridge" ? `${words.withUnit(u.span_mm, "mm")} span` : `${words.withUnit(u.free_length_mm, "mm")} free`,
      h("span", { class: "sub" }, `${words.withUnit(u.angle_deg, "°", 0)}, ${words.withUnit(u.height_mm, "mm", 1)}`)),
    h("td", { class: "n" }, swatch(css(droopTone(u.droop_mm.value))), ` ${words.leftAlone(u)}`, h("span", { class: "sub" }, u.kind === "island" ? "starts in mid-air" : words.interval(u.droop_mm, "mm"))),
    h("td", { class: "decision" }, this.decision(u, choice, totals)),
    h("td", { class: "n wide-only" }, this.priceOf(u, choice)));
    return isOpen ? [row, this.docket(u, choice, totals)] : [row];
  }

  /** Up and down go through the numbers. */
  arrows(event, number) {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    document.querySelector(`[data-key="underside-${number + step}"] .number`)?.focus();
  }

  overrule(number, standing) {
    this.store.choose({ overrules: { [number]: standing || null } });
  }

  standingOf(u, choice) {
    return this.store.choices.overrules?.[u.number] || choice?.chosen || null;
  }

  priceOf(u, choice) {
    const option = choice?.options.find((o) => o.standing === this.standingOf(u, choice));
    if (!option) return choice ? "–" : "…";
    return option.standing === "leave" ? "–" : words.price(option.cost.price);
  }

  decision(u, choice, totals) {
    if (!choice) return totals ? h("span", { class: "sub" }, "prints unaided") : "…";
    const own = this.store.choices.overrules?.[u.number];
    const spared = sparedOf(totals, u.number), kept = spared?.whole && !own;
    const auto = own ? "automatic" : `automatic: ${words.STANDING[choice.chosen].replace("from ", "")}`;
    return [
      h("select", {
        "aria-label": `Decision on number ${u.number}`, value: own || "", class: own ? "own" : null,
        onchange: (event) => this.overrule(u.number, event.target.value),
      },
      h("option", { value: "" }, kept ? "left: supports must not touch it" : auto),
      choice.options.filter((o) => reached(o, u) || o.standing === own).map((o) => h("option", { value: o.standing }, words.STANDING[o.standing] + (o.standing === "leave" ? "" : `, ${words.price(o.cost.price)}`)))),
      own ? h("span", { class: "sub own-mark" }, "decided by you") : null,
      (own || choice.chosen) !== "leave" && this.fitsNothing(u.number) ? h("span", { class: "sub" }, "nothing fits: left") : null,
      spared && !spared.whole ? h("span", { class: "sub" }, `${words.withUnit(spared.own_mm2 + spared.landing_mm2, "mm²")} left: supports must not touch it`) : null,
    ];
  }

  /** Whether a support was meant to stand there, and none fitted when it was built. */
  fitsNothing(number) {
    const { value: built, stale } = this.store.result("supports", "supports.json");
    return Boolean(built) && !stale && built.choices.some((c) => c.underside === number && c.chosen === "leave");
  }

  docket(u, choice, totals) {
    const { store } = this, own = store.choices.overrules?.[u.number], spared = sparedOf(totals, u.number);
    const said = store.field(`underside_notes.${u.number}`, {
      read: () => store.sheet.choices.underside_notes?.[u.number] || "",
      change: (text) => ({ choices: { underside_notes: { [u.number]: text || null } } }),
    });
    const sags = [["without support", u.droop_mm], ["on support", u.supported_droop_mm]];
    return h("tr", { class: "docket", id: `docket-${u.number}`, "data-key": `docket-${u.number}` }, h("td", { colspan: 7 },
      h("div", { class: "docket-body" },
        h("p", {}, h("b", {}, `Number ${u.number}, ${words.KIND[u.kind]}`), `: ${words.KIND_MEANING[u.kind]}; ${words.withUnit(u.area_mm2, "mm²")} from z ${words.withUnit(u.height_mm, "mm", 1)} on. `,
          choice ? words.sentence(choice.why) : "",
          spared && !spared.whole ? ` Of faces supports must not touch: ${sparedWords(spared)}` : ""),
        h("table", { class: "droops" }, h("caption", { class: "unseen" }, "Predicted sag, with 90 % intervals"), h("tbody", {}, sags.map(([name, estimate]) =>
          h("tr", {}, h("th", { scope: "row" }, `Sag ${name}`), h("td", {}, intervalBar(estimate, scalePosition, css(droopTone(estimate.value)))),
            h("td", { class: "n" }, estimate === u.droop_mm ? words.leftAlone(u) : words.withUnit(estimate.value, "mm")),
            h("td", { class: "sub" }, estimate === u.droop_mm && u.kind === "island" ? "starts in mid-air" : `90 %: ${words.interval(estimate, "mm")}`))))),
        h("p", { class: "sub" }, `Sag is predicted, ${words.BASIS[u.droop_mm.basis] || u.droop_mm.basis}.`),
        choice ? h("fieldset", { class: "options" }, h("legend", {}, `What to do about number ${u.number}`),
          STANDINGS.map((standing) => this.option(u, choice, standing, own)),
          own ? h("p", {}, h("button", { type: "button", onclick: () => this.overrule(u.number, null) }, "Go back to automatic")) : null) : null,
        h("label", { class: "stacked" }, `Note on number ${u.number}`, h("textarea", { ...said.attributes(), rows: 1, maxlength: 1000 })),
        said.said(`note on number ${u.number}`))));
  }

  option(u, choice, standing, own) {
    const o = choice.options.find((one) => one.standing === standing);
    if (!o || !(reached(o, u) || standing === this.standingOf(u, choice))) return null;
    const is = this.standingOf(u, choice) === standing;
    const least = choice.options.every((one) => total(one.price) >= total(o.price));
    const facts = [
      ["To print", standing === "leave" ? "nothing" : words.price(o.cost.price)],
      ["Filament, time", standing === "leave" ? "none" : `${words.mass(o.cost.mass_g)}, ${words.duration(o.cost.time_s)}`],
      ["Left without support", words.withUnit(o.left_mm2, "mm²")],
      ["Part surface marked by support feet", words.withUnit(o.scar_mm2, "mm²")],
      ...termsOf(o.price, ["filament", "time"]),
    ];
    return h("label", { class: `option${is ? " chosen" : ""}` },
      h("span", { class: "option-head" }, h("input", {
        type: "radio", name: `standing-${u.number}`, value: standing, checked: is, onchange: () => this.overrule(u.number, standing),
      }), ` ${words.DECISION[standing]}`),
      h("span", { class: "sub" }, [is && (own ? "decided by you" : "chosen"), least && "lowest total"].filter(Boolean).join("; ") || "\u00a0"),
      h("span", { class: "option-facts" }, facts.map(([name, value], k) => h("span", { class: k === facts.length - 1 ? "sum" : null }, h("span", {}, name), h("b", {}, value)))));
  }

  /** Many at once. */
  allOfAKind(undersides) {
    const { store } = this, overrules = Object.keys(store.choices.overrules || {});
    const kinds = KINDS.filter((kind) => undersides.filter((u) => u.kind === kind).length > 1);
    return h("form", {
      class: "inline no-print", onsubmit: (event) => {
        event.preventDefault();
        const { kind, standing } = event.target.elements;
        store.choose({ overrules: Object.fromEntries(undersides.filter((u) => u.kind === kind.value).map((u) => [u.number, standing.value])) });
      },
    },
    kinds.length ? [
      h("label", {}, "All ", h("select", { name: "kind" }, kinds.map((kind) => h("option", { value: kind }, MANY[kind])))),
      h("label", {}, unseen("decision "), h("select", { name: "standing" }, STANDINGS.map((one) => h("option", { value: one }, words.DECISION[one])))),
      h("button", { type: "submit" }, "Decide"),
    ] : null,
    overrules.length ? h("button", {
      type: "button", onclick: () => store.choose({ overrules: Object.fromEntries(overrules.map((n) => [n, null])) }),
    }, `Take back ${words.counted(overrules.length, "decision")} of yours`) : null);
  }

  seenWords(undersides) {
    const { visible } = this.plate;
    if (!visible) return null;
    const hidden = undersides.filter((u) => !visible.has(u.number)).map((u) => u.number);
    this.plate.say("Undersides from where you look; the darker, the more it would sag without support.",
      hidden.length ? ` Not seen from here: ${words.listed(hidden.slice(0, 12).map(String))}${hidden.length > 12 ? ` and ${hidden.length - 12} more` : ""}.` : "");
    return null;
  }

  draw() {
    const { store } = this, open = this.page.ui.number;
    if (this.plate.chosen !== open) {
      this.plate.set({ chosen: open });
      if (open && this.plate.visible && !this.plate.visible.has(open)) this.plate.goTo(this.triedBelow === open ? "back" : "below");
      this.triedBelow = open;
    }
    const part = this.part(), found = store.results("undersides", "inspection.json", "undersides.mesh");
    if (!part.values) return;
    const fits = store.fits(found, part), key = `${part.key}/${fits ? found.key : ""}`;
    if (this.drawn === key) return;
    this.drawn = key;
    const undersides = fits ? found.values[0].undersides : [];
    const over = fits && this.page.shared("patches", found.key, () => patches(found.values[1], part.values[1]));
    this.plate.set({
      items: [{ solid: this.shell(part) }, { solid: over, looks: undersideLooks(undersides) }],
      tags: undersides.map((u) => ({ number: u.number, at: u.center_mm, shape: u.kind })),
    });
  }
}

/** Colours by droop and hatching by kind. */
function legend() {
  const steps = Array.from({ length: 33 }, (_, k) => LEAST_MM * (MOST_MM / LEAST_MM) ** (k / 32));
  return h("div", { class: "legend" },
    s("svg", { class: "droop-scale", viewBox: "0 0 420 58", role: "img", "aria-label": "Colour scale of predicted sag, from at most 0.05 mm, light, to 5 mm and more, dark" },
      steps.map((v, k) => s("rect", { x: (10 + (388 * k) / 32).toFixed(1), y: 18, width: 12.6, height: 16, fill: css(droopTone(v)) })),
      s("text", { x: 10, y: 13 }, "sag without support, mm: the darker, the more"),
      TICKS_MM.map((t) => s("text", { x: (16 + 388 * scalePosition(t)).toFixed(1), y: 50, "text-anchor": "middle" }, t === LEAST_MM ? `≤${t}` : t === MOST_MM ? `≥${t}` : String(t)))),
    h("ul", {}, KINDS.map((kind) => h("li", {}, hatchSample(HATCH_OF_KIND[kind]), " ", kindMark(kind), " ", h("b", {}, words.KIND[kind]), `: ${words.KIND_MEANING[kind]}`))));
}
