// Tuning: test pieces, what was read off them, what to set, and what to print next.

import { cautionSection, fetchCautions } from "../cautions.js";
import { get, post } from "../api.js";
import { h, morph, unseen } from "../dom.js";
import { finished, Stream } from "../live.js";
import { address, go } from "../route.js";
import * as words from "../words.js";
import { processes } from "../sheet/printed.js";
import { scroll } from "../sheet/parts.js";
import { PIECES } from "./outcomes.js";
import { PiecePage } from "./piece.js";

const chance = (p) => p.toFixed(2);
const LONGEST = 1800; // of an address

/** The readings behind a piece of advice, as a way to them in the ledger. */
function behind({ name, rests_on }) {
  const numbers = words.spans([...rests_on].sort((a, b) => a - b)), said = words.counted(rests_on.length, "reading");
  if (numbers.length > LONGEST) return said;
  return h("a", { href: address(["ledger"], { readings: numbers }) }, said, unseen(` behind ${name}`));
}

export class TuningPage {
  constructor(place) {
    this.place = place;
    this.events = new Stream("/api/events", { ledger: () => this.load() });
  }

  close() {
    this.closed = true;
    this.events.close();
    this.piece?.close();
  }

  route({ path, query }) {
    const code = path[1] === "pieces" ? path[2] : null;
    if (this.piece && this.piece.code !== code) {
      this.piece.close();
      this.piece = null;
    }
    if (code) {
      this.piece ||= new PiecePage(this.place, code);
      this.piece.route(query);
      return;
    }
    document.title = "Tuning: falsework bench";
    this.process = query.process || "pla-0.4";
    this.load();
  }

  get given() {
    return { process: this.process };
  }

  async load() {
    if (this.piece) {
      await this.piece.load();
      return;
    }
    try {
      await fetchCautions();
      const [{ list }, { coupons }, state] = await Promise.all([
        processes(), get("/api/coupons"), get(`/api/tuning?process=${encodeURIComponent(this.process)}`)]);
      Object.assign(this, { list, coupons, state, error: null });
      this.tuning = state.key ? await get(`/api/results/${state.key}/tuning.json`) : null;
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  /** Do something that takes a while: its words and progress are shown, and it can be stopped. */
  async work(what, begin, then) {
    this.doing = { what, fraction: 0, step: "", stop: new AbortController() };
    this.error = null;
    this.render();
    try {
      const result = await finished(await begin(), (task) => {
        Object.assign(this.doing, { fraction: task.fraction || 0, step: task.step });
        this.render();
      }, this.doing.stop.signal);
      this.doing = null;
      await then(result);
    } catch (error) {
      this.doing = null;
      if (error.name !== "AbortError") this.error = error;
      this.render();
    }
  }

  tune() {
    return this.work("working out what to set", () => post("/api/tuning", this.given), () => this.load());
  }

  make(kind, cells = null) {
    return this.work("making the test piece", () => post("/api/coupons", { ...this.given, kind, ...(cells ? { cells } : {}) }),
      ({ coupon }) => go(address(["tuning", "pieces", coupon])));
  }

  async keepProcess(name) {
    try {
      this.kept = (await post("/api/tuning/keep", { ...this.given, name })).name;
      await processes(true);
      await this.load();
    } catch (error) {
      this.error = error;
      this.render();
    }
  }

  render() {
    if (this.closed || this.piece) return;
    morph(this.place, h("div", { class: "sheet tuning" },
      h("p", { class: "doctype" }, "Tuning"),
      h("h1", { tabindex: -1 }, "What this machine and filament can do"),
      this.error ? h("div", { class: "mind", role: "alert" }, h("p", {}, this.error.message), h("p", {}, h("button", { type: "button", onclick: () => this.load() }, "Try again"))) : null,
      this.list ? this.body() : h("p", { role: "status" }, this.error ? "" : "The test pieces are being fetched…")));
  }

  body() {
    const { doing, state } = this;
    return [
      h("form", { class: "inline", onsubmit: (e) => e.preventDefault() }, h("label", { for: "tune-process" }, "Process ",
        h("select", { id: "tune-process", value: this.process, onchange: (e) => go(address(["tuning"], { process: e.target.value })) },
          this.list.map((one) => h("option", { value: one.name }, one.name)))),
      h("span", {}, `${words.counted(state.readings, "reading")} of this machine and material.`)),
      doing ? h("div", { class: "progress", role: "status" }, h("progress", { max: 1, value: doing.fraction, "aria-label": doing.what }),
        h("span", {}, `${words.sentence(doing.what).slice(0, -1)}: ${doing.step || "its turn comes"}, ${words.share(doing.fraction)}`),
        h("button", { type: "button", class: "quiet", onclick: () => doing.stop.abort() }, `Stop ${doing.what}`)) : null,
      h("section", { "aria-labelledby": "h-set" }, h("h2", { id: "h-set" }, "What to set"), this.whatToSet()),
      h("section", { "aria-labelledby": "h-next" }, h("h2", { id: "h-next" }, "What to print next"), this.next()),
      h("section", { "aria-labelledby": "h-pieces" }, h("h2", { id: "h-pieces" }, "Test pieces"), this.pieces()),
      cautionSection([], state.cautions),
    ];
  }

  whatToSet() {
    const { tuning, doing } = this;
    if (!tuning) {
      return [h("p", {}, this.state.readings ? "The readings have not been worked out as they are now." : "Nothing has been recorded for this machine and material yet; the answer would rest on what is common practice and physics alone."),
        h("p", {}, h("button", { type: "button", class: "strong", disabled: Boolean(doing), onclick: () => this.tune() }, "Work out what to set"))];
    }
    const { recommendation: r } = tuning;
    const how = ({ estimate }) => (estimate ? `${words.number(estimate.value, 1)} (${words.number(estimate.low, 1)} to ${words.number(estimate.high, 1)})` : "–");
    return [
      r.invented ? h("p", { class: "prop" }, h("b", {}, "Invented: "), "some of these readings were made up for a demonstration. Nothing may be concluded from them.") : null,
      scroll("What to set", h("table", { class: "advice" },
        h("thead", {}, h("tr", {}, [["Setting", ""], ["Set to", "n"], ["Model, 90 % interval", "n"], ["Practice", "n"], ["Likely right", "n"], ["Based on", ""], ["Why", ""]].map(([t, c]) => h("th", { scope: "col", class: c }, t)))),
        h("tbody", {}, r.advice.map((a) => h("tr", {}, h("th", { scope: "row" }, a.name),
          h("td", { class: "n" }, h("b", {}, `${a.value}${a.unit === "°" ? "°" : a.unit ? `\u00a0${a.unit}` : ""}`)), h("td", { class: "n" }, how(a)),
          h("td", { class: "n" }, a.practice === "" ? "–" : String(a.practice)), h("td", { class: "n" }, chance(a.sure)),
          h("td", {}, a.basis, a.rests_on.length ? h("span", { class: "sub" }, behind(a)) : null), h("td", {}, words.sentence(a.why))))))),
      h("p", { class: "sub" }, "Likely right: probability that what is set is right, within the bounds that the page below names. Uncalibrated: nothing of the kind was read of this machine with this material. Extrapolated: readings outside the range they cover."),
      h("h3", {}, "Gaps that can be printed"),
      scroll("Printable gaps", h("table", {},
        h("thead", {}, h("tr", {}, ["Gap", "Comes off, 90 % interval", "fused", "scraped", "tool", "hand", "touch", "fell"].map((t, k) => h("th", { scope: "col", class: k ? "n" : null }, t)))),
        h("tbody", {}, r.gaps.map((g) => h("tr", { class: g.recommended ? "chosen" : null },
          h("th", { scope: "row" }, g.recommended && h("span", { "aria-hidden": "true" }, "▶ "), `${words.counted(g.layers, "layer")}, ${words.withUnit(g.gap_mm, "mm", 2)}`, g.recommended && unseen(" recommended")),
          h("td", { class: "n" }, `${chance(g.removable.value)} (${chance(g.removable.low)} to ${chance(g.removable.high)})`),
          ["fused", "scraped", "tool", "hand", "touch", "fell"].map((k) => h("td", { class: "n" }, chance(g.let_go[k])))))))),
      r.disagreements.length ? h("div", { class: "mind" }, h("h3", {}, "Where practice and model part ways"), h("ul", {}, r.disagreements.map((d) => h("li", {}, `${words.sentence(d.what)} Settled by: ${d.settled_by}${d.at ? `, ${d.at}` : ""}.`)))) : null,
      h("form", { class: "inline", onsubmit: (e) => { e.preventDefault(); this.keepProcess(e.target.elements.name.value.trim()); } },
        h("label", { for: "keep-name" }, "Keep these settings as the process ", h("input", { id: "keep-name", name: "name", required: true, maxlength: 100, value: `${this.process}-tuned`, autocomplete: "off" })),
        h("button", { type: "submit", class: "strong" }, "Keep it"),
        h("a", { href: `/api/results/${this.state.key}/process.toml`, download: `${this.process}-tuned.toml` }, "as a file"),
        this.kept ? h("span", { role: "status" }, `${this.kept} can now be chosen on any work order.`) : null),
      h("details", { "data-key": "curves", class: "curves" }, h("summary", {}, "Curves with intervals, and what was read"),
        h("iframe", { class: "curves-page", title: "Curves with intervals", src: `/api/tuning/${this.state.key}/page`, sandbox: "allow-scripts allow-popups", loading: "lazy" })),
      h("p", {}, h("a", { href: `/api/tuning/${this.state.key}/page`, target: "_blank", rel: "noopener" }, "The whole page of this tuning", unseen(" (opens a new tab)"))),
    ];
  }

  next() {
    const { tuning, doing } = this;
    if (!tuning) return h("p", {}, "Once it is worked out what to set, the test that teaches most for its minutes will be named here. Any piece can be made now, below.");
    const { proposals, stop, advice } = tuning.next;
    return [
      h("p", { class: "verdict" }, words.sentence(advice)),
      stop ? null : scroll("Next tests", h("table", {},
        h("thead", {}, h("tr", {}, [["Test piece", ""], ["Cells", "n"], ["Machine time", "n"], ["Filament", "n"], ["What it would answer: right now, and after it", ""], ["", ""]].map(([t, c]) => h("th", { scope: "col", class: c }, t || unseen("Make it"))))),
        h("tbody", {}, proposals.map((p) => h("tr", {}, h("th", { scope: "row" }, PIECES[p.kind] || p.kind), h("td", { class: "n" }, p.cells.length),
          h("td", { class: "n" }, words.withUnit(p.print_min, "min", 0)), h("td", { class: "n" }, words.mass(p.grams)),
          h("td", {}, p.gains.filter((g) => g.after > g.now + 0.005).map((g) => `${g.question} ${chance(g.now)} → ${chance(g.after)}`).join("; ") || "nothing new"),
          h("td", {}, h("button", { type: "button", disabled: Boolean(doing), onclick: () => this.make(p.kind, p.cells) }, "Make it", unseen(`: ${p.kind}`)))))))),
    ];
  }

  pieces() {
    const { coupons, doing } = this;
    return [
      h("form", { class: "inline", onsubmit: (e) => { e.preventDefault(); this.make(e.target.elements.kind.value); } },
        h("label", { for: "make-kind" }, "Make ", h("select", { id: "make-kind", name: "kind" }, Object.entries(PIECES).map(([kind, word]) => h("option", { value: kind }, word)))),
        h("button", { type: "submit", disabled: Boolean(doing) }, "Make the piece")),
      coupons.length ? scroll("Test pieces", h("table", {},
        h("thead", {}, h("tr", {}, [["Code on the piece", ""], ["What it tries", ""], ["Process", ""], ["Machine, material", ""], ["Recorded", "n"], ["Time", "n"], ["Filament", "n"]].map(([t, c]) => h("th", { scope: "col", class: c }, t)))),
        h("tbody", {}, coupons.map((one) => h("tr", { "data-key": one.code }, h("th", { scope: "row" }, h("a", { href: address(["tuning", "pieces", one.code]) }, one.code)),
          h("td", {}, PIECES[one.kind] || one.kind), h("td", {}, one.process), h("td", {}, `${one.printer}, ${one.material}`),
          h("td", { class: "n" }, `${one.readings} of ${one.cells}`), h("td", { class: "n" }, words.withUnit(one.minutes, "min", 0)), h("td", { class: "n" }, words.mass(one.grams)))))))
        : h("p", { class: "empty-line" }, "There is no test piece yet. A piece is printed in about half an hour, read off with eyes and a pair of calipers, and tells what this machine can do."),
    ];
  }
}
