// Section 6: how the supports come off. The order as a strip, arrows in the figure, and what never leaves.

import { inkOn, tones } from "../colour.js";
import { h, unseen } from "../dom.js";
import { Plate } from "../figure/plate.js";
import { GONE, looksTexture, pieces, SUPPORT } from "../figure/solids.js";
import * as words from "../words.js";
import { failure, instead, progress } from "./parts.js";
import { Section } from "./section.js";
import { choicesOf, takeButtons } from "./taking.js";

const HATCH = { "stays on the bed": 0, "comes by hand": 0, "comes with a tool": 1, "break up first": 2, "pick out in bits": 3, "cannot be removed": 3 };
const SHAPE = { "stays on the bed": "bridge", "comes by hand": "holds", "comes with a tool": "holds", "break up first": "cantilever", "pick out in bits": "island", "cannot be removed": "island" };
const ARROW_SHARE = 0.3, MOST_ARROWS = 16;
const fails = (p) => p.tears || ["break up first", "pick out in bits", "cannot be removed"].includes(p.state);

export class Release extends Section {
  key = "release";
  title = "How the supports come off";
  short = "How they come off";
  stages = ["release"];

  constructor(page) {
    super(page);
    this.plate = new Plate({ name: "release", label: "How the pieces of support leave", home: "below" });
    Object.assign(this.plate, { tagKind: SUPPORT, always: true });
    Object.assign(this.plate.on, {
      hover: (number) => page.hover("piece", number),
      pick: (number) => number && page.select("release", { piece: number }),
      eye: () => page.noteLook(this, this.plate.eyeText),
    });
  }

  get files() {
    return [["release", "plan.json"]];
  }

  /** With nothing to take off there is nothing to show. */
  get bare() {
    return Boolean(this.plan) && !this.steps.length;
  }

  get plan() {
    return this.store.value("release", "plan.json");
  }

  /** Pieces in the order in which they are taken off; those that never leave stand last. */
  get steps() {
    const some = [...(this.plan?.release?.pieces || [])];
    return some.sort((a, b) => (a.order === 0) - (b.order === 0) || a.order - b.order || a.number - b.number);
  }

  /** The step looked at: 0 before anything is taken off; null all arrows at once. */
  get at() {
    const { step } = this.page.ui;
    return step === null || step === undefined ? null : Math.max(0, Math.min(this.steps.length, step));
  }

  pointed(kind, number) {
    if (kind === "piece") this.plate.point(number);
  }

  view() {
    const { store, plan } = this;
    this.draw();
    if (!plan) return instead(store, ["supports", "release"], null, "judging how they come off", "The order of removal, what holds each piece, and what never leaves will stand here.");
    const { release } = plan;
    if (!plan.pieces.length || !release) return h("p", { class: "verdict" }, "There is nothing to take off.");
    const { steps } = this, trapped = steps.filter((p) => p.state === "cannot be removed" || p.state === "pick out in bits");
    return [
      instead(store, ["release"], plan, "judging how they come off", ""),
      h("p", { class: "verdict" }, words.sentence(release.verdict)),
      trapped.length ? h("div", { class: "mind" }, h("h3", {}, "What does not come off"), h("ul", {}, trapped.map((p) => h("li", {}, `Piece ${p.number}: ${words.sentence(p.why)}`)))) : null,
      this.strip(steps),
      this.doing(steps),
      this.remedies(release),
      h("h3", {}, "Before you cut"),
      h("ul", { class: "cautions" }, release.cautions.map((c) => h("li", {}, words.sentence(c)))),
    ];
  }

  strip(steps) {
    const { at } = this, go = (step) => this.page.select("release", { step });
    return h("div", { class: "strip-row" },
      h("div", { class: "strip", role: "group", "aria-label": "Order of removal" },
        h("button", { type: "button", class: "quiet", "aria-pressed": at === null ? "true" : "false", onclick: () => go(null) }, "all at once"),
        h("ol", {}, steps.map((p, k) => h("li", { "data-key": `step-${p.number}` }, h("button", {
          type: "button", class: `step${fails(p) ? " fails" : ""}`, "aria-pressed": at === k + 1 ? "true" : "false", "data-piece": p.number,
          onclick: () => go(k + 1),
          onpointerenter: () => this.page.hover("piece", p.number), onpointerleave: () => this.page.hover("piece", 0),
        },
        h("span", { class: "place" }, p.order ? `${p.order}.` : "never"), h("b", {}, `piece ${p.number}`),
        h("span", {}, fails(p) && h("span", { "aria-hidden": "true" }, "▨ "), p.tears && !["break up first", "pick out in bits", "cannot be removed"].includes(p.state) ? `${p.state}; may tear` : p.state)))))));
  }

  doing(steps) {
    const { at } = this, some = at === null ? steps : steps.slice(at - 1, at);
    const doing = this.store.value("release", "words.json")?.doing || {};
    return h("ol", { class: "doing", start: at || 1 }, some.map((p) => h("li", { value: p.order || null, "data-piece": p.number, "data-key": `doing-${p.number}`, class: fails(p) ? "fails" : null },
      h("p", {}, h("b", {}, `Piece ${p.number}`), unseen(`, ${p.state}`), `: ${words.sentence(p.why)}`, this.page.ui.piece === p.number && unseen(" (selected)")),
      doing[p.number]?.length ? h("ol", {}, doing[p.number].map((d) => h("li", {}, d))) : null,
      p.contact_mm2 > 0 ? h("p", { class: "sub" }, `Touches ${words.withUnit(p.contact_mm2, "mm²")} of the part through the gap; reached by fingers ${words.share(p.hand_share)}, by pliers ${words.share(p.tool_share)}, by a pick ${words.share(p.pick_share)}.`) : null)));
  }

  remedies(release) {
    const { store } = this, stage = store.stage("remedies");
    if (!release.pieces.some(fails)) return null;
    const { value, stale } = store.result("remedies", "remedies.json");
    const begin = h("p", {}, h("button", { type: "button", onclick: () => store.ask("remedies") }, "Try what could be changed"),
      " Each change is built and judged again; it takes a while.");
    if (stage.state === "failed") return failure(stage.error, () => store.ask("remedies"));
    if (["queued", "running", "waiting"].includes(stage.state)) return [h("h3", {}, "What to change"), progress(store, "remedies", "trying changes")];
    if (!value || stale) return [h("h3", {}, "What to change"), begin];
    return [h("h3", {}, "What to change"),
      value.remedies.length ? [h("p", {}, "Each change was built and judged again; the best comes first."),
        h("ol", {}, value.remedies.map((r) => h("li", {}, h("strong", {}, r.change), `: ${r.effect} `,
          r.takes ? h("span", { class: "no-print" }, takeButtons(this.page, choicesOf(r.takes, store.choices.turn_deg || [0, 0, 0]), r.change)) : null)))] : h("p", {}, "No change that was tried helps.")];
  }

  draw() {
    const { store, at, steps, page: { ui } } = this;
    const part = this.part(), built = store.results("supports", "supports.mesh"), judged = store.results("release", "plan.json");
    this.plate.element.classList.toggle("stale", judged.stale);
    // the piece numbers of a judgement are those of the supports that it was made for
    const plan = judged.values?.[0], fits = plan?.release && store.fits(built, part) && store.fits(judged, part) && built.stale === judged.stale;
    if (!part.values) return;
    if (this.plate.chosen !== ui.piece) this.plate.set({ chosen: ui.piece });
    const key = JSON.stringify([part.key, fits && built.key, fits && judged.key, at, tones().part]);
    if (this.drawn === key) return;
    this.drawn = key;
    const solid = this.shell(part);
    if (!fits) return void this.plate.set({ items: [{ solid }], arrows: [], tags: [] });
    const support = this.page.shared("pieces", built.key, () => pieces(built.values[0]));
    const off = new Set(at === null ? [] : steps.slice(0, at - 1).filter((p) => p.order > 0).map((p) => p.number));
    const states = new Map(plan.release.pieces.map((p) => [p.number, p.state]));
    const tone = tones().support;
    const looks = looksTexture(plan.pieces.map((p) => ({ tone, ink: inkOn(tone), hatch: off.has(p.number) ? GONE : HATCH[states.get(p.number)] })));
    const now = at === null ? plan.release.pieces : steps.slice(at - 1, at);
    const length = ARROW_SHARE * Math.max(...plan.part.size_mm);
    const along = (from, way) => from.map((v, k) => v + length * way[k]);
    const arrows = [
      ...now.filter((p) => p.pull_direction && p.state !== "stays on the bed").map((p) => ({ from: p.arrow_from_mm, to: along(p.arrow_from_mm, p.pull_direction), kind: "pull" })),
      ...now.flatMap((p) => p.blocks.map((b) => ({ from: b.center_mm, to: along(b.center_mm, b.pull_direction), kind: "pull block-pull" }))),
    ].slice(0, MOST_ARROWS);
    this.plate.set({
      items: [{ solid }, { solid: support, looks }], arrows,
      tags: plan.release.pieces.filter((p) => !off.has(p.number)).slice(0, 40).map((p) => ({ number: p.number, at: p.arrow_from_mm, shape: SHAPE[p.state] })),
    });
    this.plate.say((at === null ? "All pieces in place. " : `Step ${at}: ${off.size ? `${words.counted(off.size, "piece")} off already. ` : ""}`)
      + "Arrows: where pieces are pulled; dashed, where blocks of a broken piece go. Plain pieces stay or come by hand, upright hatching asks for a tool, diagonal hatching must be broken up, crossed hatching is picked out in bits or cannot be removed.");
  }
}
