// A sheet's history: every state that is kept, the one that is looked at, and taking it back as a new one.

import { buffers, get, post } from "../api.js";
import { announce, h, keep, morph, unseen } from "../dom.js";
import { Plate } from "../figure/plate.js";
import { bed, dispose, pieces, shell } from "../figure/solids.js";
import { Stream } from "../live.js";
import { address, go } from "../route.js";
import * as words from "../words.js";
import { failure, scroll } from "./parts.js";
import { total } from "./price.js";

const SHOWN = 40; // steps of a long history that are shown at first
const PLACE = { now: "as it stands now", after: "undone; redo leads there", aside: "undone, then something else was done", before: "" };

const who = (step) => (step.own ? "this browser" : step.who ? `browser ${step.who.slice(0, 4)}` : "unknown");

export class HistoryPage {
  constructor(place, id) {
    this.place = place;
    this.id = id;
    this.plate = new Plate({ name: "earlier", label: "The part with its supports, as it was", home: "above" });
    this.events = new Stream("/api/events", { sheets: () => this.load() });
    this.render();
  }

  close() {
    this.closed = true;
    this.events.close();
    this.plate.close();
    this.solids?.forEach(dispose);
  }

  async route({ query }, why) {
    this.number = Number(query.step) || null;
    this.refused = null;
    await this.load();
    if (why !== "load" && this.earlier) announce(`Looking at the state after: ${this.earlier.step.what}`);
  }

  url(rest = "") {
    return `/api/sheets/${encodeURIComponent(this.id)}/history${rest}`;
  }

  /** List and looked-at state belong together: what differs is told against the sheet as the list has it. */
  async load() {
    try {
      const list = await get(this.url());
      const now = list.steps.find((step) => step.place === "now");
      const looked = list.steps.find((step) => step.number === this.number) || now;
      const earlier = await get(this.url(`/${looked.number}`));
      Object.assign(this, { list, earlier, error: null });
      document.title = `${list.title}: history of the work order`;
      this.fetchFigure();
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  /** What was computed for that state, as far as it is still kept. */
  async fetchFigure() {
    const { part, supports } = this.earlier.stages;
    const wanted = [part, supports].map((stage) => (stage.state === "ready" ? stage.key : "")).join(" ");
    if (wanted === this.drawn) return;
    this.drawn = wanted;
    this.plan = null;
    const file = (stage, name) => `/api/results/${stage.key}/${name}`;
    try {
      if (part.state !== "ready") throw new Error("cleared away");
      const meshes = await Promise.all([buffers(file(part, "part.mesh")), buffers(file(part, "coarse.mesh"))]);
      const built = supports.state === "ready"
        ? await Promise.all([buffers(file(supports, "supports.mesh")), get(file(supports, "supports.json")), get(file(supports, "words.json"))]) : null;
      if (this.closed || this.drawn !== wanted) return;
      this.solids?.forEach(dispose);
      const solid = shell(...meshes), support = built && pieces(built[0]);
      this.solids = [solid, support].filter(Boolean);
      this.plate.set({ items: [{ solid: bed(solid.bounds) }, { solid }, support && { solid: support }] });
      this.plan = built && { ...built[1], verdict: built[2].verdict };
      this.figure = true;
    } catch {
      if (this.closed || this.drawn !== wanted) return;
      this.figure = false;
    }
    this.render();
  }

  async takeBack() {
    const { number, what } = this.earlier.step;
    try {
      await post(this.url(`/${number}/take-back`), { version: this.list.version });
      announce(`The sheet is again as it was after: ${what}`);
      go(address(["sheets", this.id]));
    } catch (error) {
      await this.load();
      this.refused = error;
      this.render();
    }
  }

  // ---- drawing ----------------------------------------------------------------------------------------------------

  render() {
    if (this.closed) return;
    const { list, error } = this, sheet = address(["sheets", this.id]);
    if (!list) {
      const gone = error?.status === 404;
      morph(this.place, h("div", { class: "empty", role: "status" }, error
        ? [h("h1", { tabindex: -1 }, gone ? "This work order is not here" : "Its history cannot be shown"), h("p", {}, error.message), h("p", {}, h("a", { href: "/" }, "To all work orders"))]
        : h("p", {}, "The history is being fetched…")));
      return;
    }
    morph(this.place, h("div", { class: "sheet history" },
      h("p", { class: "doctype" }, h("a", { href: sheet }, "Work order"), " · history"),
      h("h1", { tabindex: -1 }, list.title),
      h("p", {}, "Every state that this sheet has had. Look at one, and take it back if it was better: it becomes the newest state, and what stands there now stays in this list."),
      error ? failure(error, () => this.load()) : null,
      h("div", { class: "past" }, this.steps(), this.state())));
    const host = this.place.querySelector("[data-keep='earlier-figure']");
    if (host && this.plate.element.parentNode !== host) host.append(this.plate.element);
  }

  steps() {
    const steps = [...this.list.steps].reverse(), looked = this.earlier.step.number;
    const at = steps.findIndex((step) => step.number === looked);
    const shown = this.whole ? steps : steps.slice(0, Math.max(SHOWN, at + 1));
    const fits = (this.list.fits || []).map((fit) => fit.when).reverse();
    /** Fits that came to count after this state and before the one above it. */
    const fitted = (step, k) => fits.filter((when) => when >= step.when && (k === 0 || when < shown[k - 1].when));
    return h("nav", { class: "steps", "aria-label": "States of the sheet, the latest first" },
      h("ol", { onkeydown: (event) => this.onKey(event) }, shown.map((step, k) => h("li", { "data-key": `step-${step.number}` },
        fitted(step, k).map((when) => h("p", { class: "sub past-fit" }, `${words.moment(when)}: the ledger's fit has changed; predictions rest on other readings since.`)),
        h("a", { href: address(["sheets", this.id, "history"], { step: step.number }), class: `past-step ${step.place}`, "aria-current": step.number === looked ? "true" : null },
          h("b", {}, words.sentence(step.what).replace(/\.$/, "")),
          h("span", { class: "sub" }, `${words.moment(step.when)}, ${who(step)}`),
          PLACE[step.place] ? h("span", { class: "sub" }, PLACE[step.place]) : null)))),
      shown.length < steps.length ? h("p", {}, h("button", { type: "button", onclick: () => { this.whole = true; this.render(); } }, `Show all ${steps.length}`)) : null);
  }

  onKey(event) {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    const links = [...this.place.querySelectorAll(".past-step")], next = links[links.indexOf(document.activeElement) + step];
    if (!step || !next) return;
    event.preventDefault();
    next.focus();
  }

  state() {
    const { earlier, refused } = this, { step, differs } = earlier, now = step.place === "now";
    return h("section", { class: "past-state", "aria-labelledby": "h-then" },
      h("h2", { id: "h-then", tabindex: -1 }, now ? "As it stands now" : `As it was ${words.moment(step.when)}`),
      h("p", {}, `After: ${step.what}; by ${who(step)}.`),
      refused ? failure(refused, () => { this.refused = null; this.render(); }, "Understood") : null,
      now ? h("p", {}, h("a", { href: address(["sheets", this.id]) }, "To the sheet"))
        : h("p", {}, h("button", { type: "button", class: "strong", onclick: () => this.takeBack() }, "Take this state back", unseen(` of ${words.moment(step.when)}`))),
      now ? null : this.differing(differs),
      h("h3", {}, "Totals"),
      this.figures(),
      h("div", { class: "past-figure", hidden: this.figure ? null : true }, keep("earlier-figure")),
      earlier.note ? [h("h3", {}, "Note to the operator"), h("p", { class: "past-note" }, earlier.note)] : null);
  }

  differing(differs) {
    if (!differs.length) return h("p", {}, "Nothing differs from the sheet as it stands now.");
    return scroll("What differs", h("table", { class: "differing" },
      h("thead", {}, h("tr", {}, ["What differs", "Then", "Now"].map((t) => h("th", { scope: "col" }, t)))),
      h("tbody", {}, differs.map((row) => h("tr", { "data-key": row.what }, h("th", { scope: "row" }, row.what), h("td", {}, row.then), h("td", {}, row.now))))));
  }

  figures() {
    const { plan } = this;
    if (this.figure === undefined) return h("p", { role: "status" }, "Being fetched…");
    if (!plan) return h("p", {}, "Its figures are no longer kept. They are worked out again once the state is taken back.");
    const both = (key) => plan.part_cost[key] + plan.support_cost[key];
    const supported = plan.choices.filter((choice) => choice.chosen !== "leave").length;
    const rows = [["Machine time", words.duration(both("time_s"))], ["Filament", words.mass(both("mass_g"))], ["Total price", words.price(total(plan.price))],
      ["Supported", `${supported} of ${words.counted(plan.undersides.length, "underside")}`]];
    return [h("dl", { class: "foot-figures" }, rows.map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, h("b", {}, value))))),
      h("p", { class: "verdict" }, plan.verdict.join(" "))];
  }
}
