// Section 5: supports. The figure cut at any layer, that layer from above, and the pieces.

import { bed, patches, pieces, SUPPORT } from "../figure/solids.js";
import { h, morph, unseen } from "../dom.js";
import { Plate } from "../figure/plate.js";
import * as words from "../words.js";
import { carriedWords, LayerDrawing } from "./layer.js";
import { instead, scroll } from "./parts.js";
import { Section } from "./section.js";
import { sparedWords, undersideLooks } from "./undersides.js";

const SHOWN = 30;
const factor = (safety) => (safety < 100 ? words.number(safety, 1) : "over 100");

/** What is left out for the sake of faces supports must not touch. */
function leftOut(plan) {
  if (!plan.sparing) return null;
  const { area_mm2: area, undersides } = plan.sparing;
  const head = `No support stands on the faces supports must not touch (${words.withUnit(area, "mm²")}), and none carries them.`;
  if (!undersides.length) return h("p", {}, `${head} No underside is left for their sake.`);
  return [
    h("p", {}, `${head} Left for their sake, with the clearance sideways about them:`),
    h("ul", {}, undersides.map((one) => h("li", {}, h("b", {}, `number ${one.number}`), `: ${sparedWords(one, plan.choices)}`))),
  ];
}

export class Supports extends Section {
  key = "supports";
  title = "Supports";
  stages = ["supports"];

  constructor(page) {
    super(page);
    this.shows = { glass: false, undersides: false };
    this.plate = new Plate({ name: "supports", label: "The part with its supports in place", home: "above" });
    this.plate.tagKind = SUPPORT;
    Object.assign(this.plate.on, {
      hover: (number) => page.hover("piece", number),
      pick: (number) => page.select("supports", { piece: number }),
      eye: () => page.noteLook(this, this.plate.eyeText),
    });
    this.layer = new LayerDrawing();
    this.scrubber = h("div", { class: "scrubber", "data-keep": "scrubber" });
    this.beside = [this.scrubber, this.layer.element];
  }

  get files() {
    return [["supports", "supports.json"], ["supports", "words.json"]];
  }

  pointed(kind, number) {
    if (kind === "piece") this.plate.point(number);
  }

  get plan() {
    return this.store.value("supports", "supports.json");
  }

  view() {
    const { store, plan } = this;
    this.draw();
    if (!plan) return instead(store, ["part", "undersides", "totals", "supports"], null, "building the supports", "How the supports stand, layer by layer, will be shown here.");
    const st = plan.process.structure, told = store.value("supports", "words.json");
    const gaps = [["under the part", plan.gap], ["above the part, where it stands on it", plan.gap_below]];
    if (!plan.pieces.length) return [instead(store, ["supports"], plan, "building the supports", ""), h("p", { class: "verdict" }, "No support is built."), told ? h("p", {}, told.stands) : null, leftOut(plan)];
    const facts = [
      ["Body", `${words.WEAVE[st.weave]}, ${words.withUnit(st.spacing_mm, "mm")} apart, at ${st.line_angle_deg}°`],
      ["Interface layers on top", words.counted(st.interface_layers, "layer")],
      ["Interface layers on the part", words.counted(st.interface_layers_below, "layer")],
      ["Perimeter", st.perimeter_lines ? `${words.counted(st.perimeter_lines, "closed line")} around it` : "none"],
      ["Clearance sideways", words.withUnit(st.side_gap_mm, "mm")],
    ];
    const all = this.all ? plan.pieces : plan.pieces.slice(0, SHOWN);
    return [
      instead(store, ["supports"], plan, "building the supports", ""),
      told ? h("p", {}, told.stands) : null,
      h("p", {}, `${words.counted(plan.pieces.length, "piece")} of support: ${words.mass(plan.support_cost.mass_g)} of filament and ${words.duration(plan.support_cost.time_s)}, as built.`),
      leftOut(plan),
      scroll("Air gaps", h("table", { class: "gaps" },
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Air gap"), ["Asked", "Whole layers", "Gap as printed"].map((t) => h("th", { scope: "col", class: "n" }, t)))),
        h("tbody", {}, gaps.map(([name, gap]) => h("tr", {}, h("th", { scope: "row" }, name),
          h("td", { class: "n" }, words.withUnit(gap.asked_mm, "mm")), h("td", { class: "n" }, words.counted(gap.layers, "layer")), h("td", { class: "n" }, words.withUnit(gap.realised_mm, "mm"))))))),
      h("dl", { class: "build" }, facts.map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value)))),
      h("h3", {}, "Pieces"),
      scroll("Pieces of support", h("table", { class: "pieces" },
        h("thead", {}, h("tr", {}, [["Piece", "n"], ["Carries"], ["From, to", "n"], ["Contact", "n"], ["Foot on bed", "n"], ["Marked by feet", "n"], ["Buckling safety", "n"], ["Toppling safety", "n"], ["Filament", "n"]]
          .map(([name, c]) => h("th", { scope: "col", class: c }, name)))),
        h("tbody", {}, all.map((p) => this.row(p))))),
      h("ul", { class: "built-as", "aria-label": "What each piece is built as" }, all.filter((p) => p.why || p.weak || p.remedy).map((p) => h("li", { "data-piece": p.number, "data-key": `why-${p.number}` },
        h("b", {}, `Piece ${p.number}`), p.why ? `: ${p.why}.` : ".", p.weak || p.remedy
          ? [" ", h("strong", { class: "prop" }, p.weak ? p.remedy ? "Still weak" : "Weak" : "Remedy"), p.remedy ? `: ${p.remedy}.` : "."] : null))),
      plan.pieces.length > all.length ? h("p", {}, h("button", { type: "button", onclick: () => { this.all = true; this.page.renderSoon(); } }, `Show the other ${plan.pieces.length - all.length}`)) : null,
      h("p", { class: "sub" }, "Buckling safety: load at which the walls buckle over the load they carry. Toppling safety: moment that holds the piece upright over the moment that tips it. " + (told ? `Asked for are at least ${told.least.buckling} and ${told.least.topple}; what has less is called weak.` : "")),
    ];
  }

  row(p) {
    const chosen = this.page.ui.piece === p.number;
    return h("tr", {
      "data-piece": p.number, "data-key": `piece-${p.number}`, class: chosen ? "open" : null,
      onpointerenter: () => this.page.hover("piece", p.number), onpointerleave: () => this.page.hover("piece", 0),
    },
    h("th", { scope: "row", class: "n" }, h("button", {
      type: "button", class: "number", "aria-pressed": chosen ? "true" : "false", "aria-label": `Piece ${p.number}: show it in the figure`,
      onclick: () => this.page.select("supports", { piece: chosen ? 0 : p.number }),
    }, p.number)),
    h("td", {}, p.undersides.join(", ") || "–"),
    h("td", { class: "n" }, `${words.number(p.bottom_mm, 1)} to ${words.withUnit(p.top_mm, "mm", 1)}`),
    h("td", { class: "n" }, words.withUnit(p.contact_mm2, "mm²")), h("td", { class: "n" }, words.withUnit(p.foot_mm2, "mm²")), h("td", { class: "n" }, words.withUnit(p.scar_mm2, "mm²")),
    h("td", { class: "n" }, `${factor(p.buckling_safety)} ×`), h("td", { class: "n" }, `${factor(p.topple_safety)} ×`), h("td", { class: "n" }, words.mass(p.cost.mass_g)));
  }

  // ---- figure and scrubber ----------------------------------------------------------------------------------------

  get need() {
    return this.store.value("undersides", "need.layers");
  }

  get strands() {
    return this.store.value("supports", "supports.layers");
  }

  draw() {
    const { store, shows, page: { ui } } = this;
    const part = this.part(), built = store.results("supports", "supports.json", "supports.mesh");
    const found = store.results("undersides", "inspection.json", "undersides.mesh");
    this.plate.element.classList.toggle("stale", built.stale);
    if (!part.values) return;
    const stands = store.fits(built, part), lies = shows.undersides && store.fits(found, part);
    const key = JSON.stringify([part.key, stands && built.key, lies && found.key, shows]);
    if (this.drawn !== key) {
      this.drawn = key;
      const solid = this.shell(part);
      const support = stands && this.page.shared("pieces", built.key, () => pieces(built.values[1]));
      const items = [{ solid: bed(solid.bounds) }, { solid, glass: shows.glass }, { solid: support }];
      if (lies) {
        const over = this.page.shared("patches", found.key, () => patches(found.values[1], part.values[1]));
        items.push({ solid: over, looks: undersideLooks(found.values[0].undersides), pointed: false });
      }
      this.plate.set({ items, tags: stands ? built.values[0].pieces.map((p) => ({ number: p.number, at: this.middleOf(p), shape: "holds" })) : [] });
    }
    if (this.plate.chosen !== ui.piece) this.plate.set({ chosen: ui.piece });
    this.cut();
    this.drawScrubber();
  }

  middleOf(piece) {
    const carried = (this.plan.undersides || []).find((u) => piece.undersides.includes(u.number));
    const [x, y] = carried?.center_mm || [0, 0];
    return [x, y, (piece.bottom_mm + piece.top_mm) / 2];
  }

  get layers() {
    return this.store.value("undersides", "inspection.json")?.layers;
  }

  /** The layer looked at: 0 is the first; null is the whole part. */
  get at() {
    const { layer } = this.page.ui, { layers } = this;
    return layer === null || layer === undefined || !layers ? null : Math.max(0, Math.min(layers.count - 1, layer));
  }

  cut() {
    const { at, layers } = this, cut = at === null ? undefined : layers.z_mm[at + 1];
    let changed = false;
    for (const item of this.plate.items) {
      if (item.solid.kind === 2 || item.cut === cut) continue;
      item.cut = cut;
      changed = true;
    }
    if (changed) this.plate.moved();
    this.layer.element.hidden = at === null || !this.need;
    if (at !== null && this.need && this.plate.bounds) {
      this.layer.set(at, this.need, this.strands, this.plate.bounds);
      this.layer.caption.textContent = `Layer ${at + 1} from above, between z ${words.number(layers.z_mm[at], 2)} and ${words.withUnit(layers.z_mm[at + 1], "mm", 2)}. Hatched: over air; brick: support; pale: the layer beneath. ${carriedWords(at, this.need, this.strands)}`;
    }
  }

  /** Go to a layer, or with null to the whole part. */
  goTo(layer) {
    this.page.select("supports", { layer }, { quiet: true });
    this.cut();
  }

  drawScrubber() {
    const { layers, at, shows } = this;
    if (!layers) return;
    const show = (key, word) => h("label", {}, h("input", { type: "checkbox", checked: shows[key], onchange: (e) => { shows[key] = e.target.checked; this.page.renderSoon(); } }), ` ${word}`);
    const said = at === null ? "the whole part" : `layer ${at + 1} of ${layers.count}, z ${words.withUnit(layers.z_mm[at + 1], "mm", 2)}`;
    const step = (by) => this.goTo(at === null ? (by < 0 ? layers.count - 1 : 0) : Math.max(0, Math.min(layers.count - 1, at + by)));
    const jumps = this.starts();
    morph(this.scrubber,
      h("label", { class: "cut", for: "layer-slider" }, h("span", {}, "Printed up to ", h("output", { for: "layer-slider" }, said)),
        h("input", {
          id: "layer-slider", type: "range", min: 0, max: layers.count, step: 1, value: at === null ? layers.count : at, "aria-valuetext": said,
          oninput: (e) => this.goTo(Number(e.target.value) >= layers.count ? null : Number(e.target.value)),
        })),
      h("div", { class: "plate-tools" },
        h("button", { type: "button", class: "quiet", onclick: () => step(-1) }, "−", unseen(" one layer down")),
        h("button", { type: "button", class: "quiet", onclick: () => step(1) }, "+", unseen(" one layer up")),
        jumps.length ? h("span", { class: "sub" }, "beginning of") : null,
        jumps.map(([number, layer]) => h("button", { type: "button", class: "quiet", onclick: () => this.goTo(layer) }, `number ${number}`)),
        show("glass", "part see-through"), show("undersides", "undersides")));
  }

  /** Layers at which the worst undersides begin. */
  starts() {
    return (this.plan?.undersides || []).slice(0, 5).map((u) => [u.number, u.layers[0]]);
  }
}
