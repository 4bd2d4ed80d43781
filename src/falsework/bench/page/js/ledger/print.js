// One print's page: what it was, its photographs, what was read off it; beside another print to compare.

import { cautionSection, fetchCautions } from "../cautions.js";
import { get, patch, post, raw } from "../api.js";
import { h, morph, unseen } from "../dom.js";
import { address, go, here } from "../route.js";
import * as words from "../words.js";
import { scroll } from "../sheet/parts.js";
import { onOutbox } from "../tuning/outbox.js";
import { conditionWords, EARLY, FINISH, LET_GO, outcomeWords } from "../tuning/outcomes.js";
import { Recording } from "../tuning/recording.js";

export class PrintPage {
  constructor(place, id) {
    Object.assign(this, { place, id });
    this.recording = new Recording({
      target: { print: id }, again: () => this.render(),
      goTo: (cell) => go(address(["ledger", "prints", String(id)], { ...here().query, cell }), { replace: here().query.cell === undefined }),
    });
    this.leave = onOutbox(() => this.load());
    this.load();
  }

  close() {
    this.closed = true;
    this.leave();
  }

  route(query) {
    this.cell = query.cell || null;
    this.correcting = Number(query.reading) || 0;
    document.title = `Print ${this.id}: falsework bench`;
    if ((Number(query.with) || 0) !== (this.withId || 0)) {
      this.withId = Number(query.with) || 0;
      this.other = null;
      this.load();
    }
    this.render();
  }

  async load() {
    try {
      await fetchCautions();
      [this.print, this.prints, this.other] = await Promise.all([get(`/api/prints/${this.id}`), get("/api/prints"), this.withId ? get(`/api/prints/${this.withId}`) : null]);
      this.error = null;
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  async act(begin) {
    try {
      await begin();
      this.error = null;
    } catch (error) {
      this.error = error;
    }
    await this.load();
  }

  photograph(field) {
    return this.act(async () => {
      for (const file of field.files) {
        const { photograph } = await raw("/api/photographs", file);
        await post(`/api/photographs/${photograph}/shows`, { print: this.id });
      }
      field.value = "";
    });
  }

  render() {
    if (this.closed) return;
    const { print, error } = this;
    if (!print) {
      morph(this.place, h("p", { class: "empty", role: "status" }, error ? error.message : "The print is being fetched…"));
      return;
    }
    const what = print.coupon ? `test piece ${print.coupon}` : print.part || "a part";
    morph(this.place, h("div", { class: "sheet ledger" },
      h("p", { class: "doctype" }, h("a", { href: "/ledger" }, "Ledger"), ` · print ${print.id}`, print.invented ? " · invented" : ""),
      h("h1", { tabindex: -1 }, what[0].toUpperCase() + what.slice(1)),
      error ? h("div", { class: "mind", role: "alert" }, h("p", {}, error.message)) : null,
      this.comparison(),
      h("section", { "aria-labelledby": "h-photos" }, h("h2", { id: "h-photos" }, "Photographs"), this.photographs(print),
        h("p", {}, h("label", { class: "button", for: "print-photo" }, "Add a photograph…"),
          h("input", { id: "print-photo", class: "unseen", type: "file", multiple: true, accept: "image/jpeg,image/png,image/webp", onchange: (e) => this.photograph(e.target) }))),
      h("section", { "aria-labelledby": "h-print-readings" }, h("h2", { id: "h-print-readings" }, "What was read off it"), this.readings(print)),
      h("section", { "aria-labelledby": "h-record" }, h("h2", { id: "h-record" }, "Record what you see"), this.recording.view(print.spots || [], print.readings, this.cell)),
      cautionSection(["take off", "use"])));
  }

  /** Facts of this print, and of another beside it. */
  comparison() {
    const { print, other } = this, some = other ? [print, other] : [print];
    const facts = (p) => {
      const s = p.summary;
      return {
        Printed: p.printed_on || "–", Machine: p.printer, Material: p.material, Note: p.note || "–",
        Size: s ? words.sizeOf(s.size_mm) : "–", Turned: s ? s.turn_deg.map((t) => `${Math.round(t)}°`).join(", ") : "–",
        "Part, support": s ? `${words.mass(s.part_g)}, ${words.mass(s.support_g)}` : "–", Time: s ? words.duration(s.time_s) : "–",
        Undersides: s ? String(s.undersides) : "–", Pieces: s ? String(s.pieces) : "–",
        "Air gap": p.process ? words.withUnit(p.process.structure.air_gap_mm || p.process.structure.air_gap_layers * p.process.layer_height_mm, "mm", 2) : "–",
        Readings: String(p.readings.filter((r) => !r.withdrawn).length), "Mean finish": mean(p.readings),
      };
    };
    const rows = some.map(facts), names = Object.keys(rows[0]).filter((name) => rows.some((row) => row[name] !== "–"));
    return [
      scroll("Facts of the print", h("table", { class: "block" }, h("thead", {}, h("tr", {}, h("td", {}, unseen("Fact")), some.map((p) => h("th", { scope: "col" }, `print ${p.id}`, p.coupon ? `, piece ${p.coupon}` : p.part ? `, ${p.part}` : "")))),
        h("tbody", {}, names.map((name) => h("tr", {}, h("th", { scope: "row" }, name), rows.map((row) => h("td", { class: other && row[name] !== rows[0][name] ? "differs" : null }, row[name],
          other && row !== rows[0] && row[name] !== rows[0][name] && unseen(" differs")))))))),
      h("p", { class: "inline" }, h("label", { for: "compare-with" }, "Compare with ", h("select", {
        id: "compare-with", value: this.withId ? String(this.withId) : "", onchange: (e) => go(address(["ledger", "prints", String(this.id)], { with: e.target.value || null })),
      }, h("option", { value: "" }, "no other print"), (this.prints?.prints || []).filter((p) => p.id !== this.id).map((p) => h("option", { value: String(p.id) }, `print ${p.id}: ${p.coupon || p.part || ""} ${p.printed_on || ""}`))))),
      other?.photographs.length ? [h("h3", {}, `Photographs of print ${other.id}`), this.photographs(other)] : null,
    ];
  }

  photographs(print) {
    const all = new Map(print.photographs.map((p) => [p.digest, p.note || p.name]));
    for (const r of print.readings) for (const digest of r.photographs || []) if (!all.has(digest)) all.set(digest, `cell ${r.cell}`);
    if (!all.size) return h("p", {}, "None yet.");
    return h("ul", { class: "gallery" }, [...all].map(([digest, word], k) => h("li", { "data-key": digest }, h("a", { href: `/api/photographs/${digest}`, target: "_blank", rel: "noopener" },
      h("img", { src: `/api/photographs/${digest}`, alt: `Photograph ${k + 1} of print ${print.id}${word ? `: ${word}` : ""}`, loading: "lazy" })))));
  }

  readings(print) {
    if (!print.readings.length) return h("p", {}, "Nothing yet.");
    return scroll("Readings of this print", h("table", { class: "readings" },
      h("thead", {}, h("tr", {}, ["Cell", "What was tried", "What was seen", "On", ""].map((t) => h("th", { scope: "col" }, t || unseen("Actions"))))),
      h("tbody", {}, print.readings.flatMap((r) => [
        h("tr", { "data-key": `reading-${r.id}`, class: r.withdrawn ? "withdrawn" : null }, h("th", { scope: "row" }, r.cell || r.id), h("td", {}, conditionWords(r.reading.condition)),
          h("td", {}, outcomeWords(r.reading), r.withdrawn && h("strong", { class: "prop" }, " withdrawn"), r.changes ? h("span", { class: "sub" }, `corrected ${words.counted(r.changes, "time")}`) : null,
            r.flags.map((f) => h("span", { class: "sub" }, `Attention: ${f}`)), r.note && h("span", { class: "sub" }, r.note)),
          h("td", {}, r.when || "–"),
          h("td", {}, h("button", { type: "button", class: "quiet", "aria-expanded": this.correcting === r.id ? "true" : "false", onclick: () => this.open(r.id) }, "Correct", unseen(` reading ${r.cell || r.id}`)))),
        this.correcting === r.id ? this.correction(r) : null,
      ]))));
  }

  async open(id) {
    const opening = this.correcting !== id;
    // before the form is shown: drawn anew beneath the hand, it would forget what was chosen in it
    this.history = opening ? (await get(`/api/readings/${id}/history`).catch(() => null))?.versions : null;
    go(address(["ledger", "prints", String(this.id)], { ...here().query, reading: opening ? id : null }));
  }

  correction(r) {
    const send = (event) => {
      event.preventDefault();
      const { reason, let_go: letGo, finish } = event.target.elements, outcome = {};
      if (letGo?.value && letGo.value !== r.reading.let_go) outcome.let_go = letGo.value;
      if (finish?.value && Number(finish.value) !== r.reading.finish) outcome.finish = Number(finish.value);
      this.act(() => patch(`/api/readings/${r.id}`, { reason: reason.value, outcome }));
    };
    const choose = (name, word, choices, value) => (value === null ? null : h("label", {}, `${word} `, h("select", { name, value: String(value) }, Object.entries(choices).map(([key, said]) => h("option", { value: key }, `${key}: ${said}`)))));
    const withdraw = (event) => {
      const { reason } = event.target.form.elements;
      if (!reason.reportValidity()) return;
      this.act(() => post(`/api/readings/${r.id}/${r.withdrawn ? "restore" : "withdraw"}`, { reason: reason.value }));
    };
    return h("tr", { class: "docket", "data-key": `correct-${r.id}` }, h("td", { colspan: 5 }, h("form", { class: "docket-body", onsubmit: send },
      h("p", {}, "What was recorded stays in the ledger; a correction is added to it with its reason."),
      choose("let_go", "Let go", r.reading.let_go === "early" ? { ...LET_GO, ...EARLY } : LET_GO, r.reading.let_go), choose("finish", "Finish", FINISH, r.reading.finish),
      h("label", { class: "stacked" }, "Reason", h("input", { name: "reason", required: true, maxlength: 1000, autocomplete: "off" })),
      h("p", { class: "actions" }, h("button", { type: "submit" }, "Keep the correction"), " ", h("button", { type: "button", onclick: withdraw }, r.withdrawn ? "Take it back in" : "Withdraw it")),
      this.history ? h("ol", {}, this.history.map((v) => h("li", {}, `${v.act}${v.reason ? `: ${v.reason}` : ""}: ${outcomeWords(v.reading)}`))) : null)));
  }
}

function mean(readings) {
  const some = readings.filter((r) => !r.withdrawn && r.reading.finish).map((r) => r.reading.finish);
  return some.length ? words.number(some.reduce((a, b) => a + b, 0) / some.length, 1) : "–";
}
