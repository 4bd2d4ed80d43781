// The recording form: one cell at a time, with large fields for a phone at the printer.

import { raw } from "../api.js";
import { announce, h, unseen } from "../dom.js";
import { conditionWords, FINISH, LET_GO, outcomeWords } from "./outcomes.js";
import { lastRefusal, record, waiting } from "./outbox.js";

const NUMBERS = {
  droop_mm: ["Sag", "mm", "how far the underside sagged below its place"],
  thickness_mm: ["Thickness by calipers", "mm", ""],
  clean_up_min: ["Clean-up", "min", "minutes spent on getting it clean"],
};

export class Recording {
  /** `target`: { coupon } or { print }; `goTo(cell)` changes the address; `again()` draws the page anew. */
  constructor({ target, goTo, again }) {
    Object.assign(this, { target, goTo, again, by: "" });
    this.fresh();
  }

  fresh() {
    this.outcome = {};
    this.note = "";
    this.photographs = [];
  }

  /** `spots`, `readings` as the server has them, `cell` chosen or null, `invented` the demonstration's mark. */
  view(spots, readings, cell) {
    if (!spots.length) return h("p", {}, "There is nothing to be read off this print: it has no supports and no marked undersides.");
    const by = new Map(readings.filter((r) => !r.withdrawn).map((r) => [r.cell, r]));
    const spot = spots.find((one) => one.cell === cell) || spots.find((one) => !by.has(one.cell)) || spots[0];
    const done = spots.filter((one) => by.has(one.cell)).length;
    const refusal = lastRefusal();
    return h("div", { class: "recording" },
      h("p", { role: "status" }, `${done} of ${spots.length} recorded.`, waiting() ? ` ${waiting()} on the way: kept in this browser until the bench has them.` : ""),
      refusal ? h("p", { role: "alert", class: "prop" }, `Cell ${refusal.reading.cell} was not taken: ${refusal.error.message}`) : null,
      h("nav", { class: "cells", "aria-label": "Cells" }, spots.map((one) => h("button", {
        type: "button", class: by.has(one.cell) ? "cell done" : "cell", "aria-pressed": one === spot ? "true" : "false", "data-key": `cell-${one.cell}`,
        onclick: () => { this.fresh(); this.goTo(one.cell); },
      }, one.cell, by.has(one.cell) && [h("span", { "aria-hidden": "true" }, " ✓"), unseen(" recorded")]))),
      this.form(spot, spots, by.get(spot.cell)));
  }

  form(spot, spots, before) {
    const { outcome } = this;
    const set = (field, value) => {
      outcome[field] = value;
      this.again();
    };
    const asks = (field) => spot.outcomes.includes(field);
    const grade = (field, legend, choices) => h("fieldset", { class: "grades" }, h("legend", {}, legend),
      Object.entries(choices).map(([value, word]) => h("label", { class: String(outcome[field]) === value ? "grade chosen" : "grade" },
        h("input", { type: "radio", name: field, value, checked: String(outcome[field]) === value, onchange: () => set(field, field === "finish" ? Number(value) : value) }),
        h("span", {}, h("b", {}, value), ` ${word}`))));
    return h("form", { class: "cell-form", "data-key": `form-${spot.cell}`, onsubmit: (event) => { event.preventDefault(); this.keep(spot, spots); } },
      h("h3", { id: "h-cell" }, `Cell ${spot.cell}`),
      h("p", {}, `${spot.what[0].toUpperCase()}${spot.what.slice(1)}.`),
      h("p", { class: "sub" }, conditionWords(spot.condition)),
      before ? h("p", {}, h("b", {}, "Recorded already: "), `${outcomeWords(before.reading)}. What you keep now is one more reading; to correct it, see the print in the ledger.`) : null,
      asks("let_go") ? grade("let_go", "How did the support come off?", LET_GO) : null,
      asks("finish") ? grade("finish", "How does the underside look?", FINISH) : null,
      asks("droop_mm") ? [spot.nominal_mm !== null && spot.nominal_mm !== undefined ? this.number("thickness_mm", spot.calipers) : null, this.number("droop_mm")] : null,
      asks("clean_up_min") ? this.number("clean_up_min") : null,
      h("label", { class: "stacked" }, "Who judges it ", h("span", { class: "sub" }, "two people differ; the fit reckons with it"),
        h("input", { maxlength: 200, value: this.by, autocomplete: "name", onchange: (e) => { this.by = e.target.value.trim(); } })),
      h("label", { class: "stacked" }, "Note", h("textarea", { rows: 1, maxlength: 2000, value: this.note, onchange: (e) => { this.note = e.target.value; } })),
      h("p", { class: "photos" }, h("label", { class: "button", for: "photo-field" }, "Photograph…"),
        h("input", { id: "photo-field", class: "unseen", type: "file", accept: "image/jpeg,image/png,image/webp", capture: "environment", onchange: (e) => this.photograph(e.target) }),
        this.photographs.length ? ` ${this.photographs.length} attached` : "", this.photoError ? h("span", { role: "alert", class: "prop" }, ` ${this.photoError}`) : null),
      h("p", { class: "actions" }, h("button", { type: "submit", class: "strong", disabled: !Object.keys(outcome).some((k) => outcome[k] !== undefined && outcome[k] !== "") }, `Keep this reading of ${spot.cell}`)));
  }

  number(field, where = "") {
    const [word, unit, help] = NUMBERS[field];
    return h("label", { class: "stacked" }, `${word}, ${unit} `, h("span", { class: "sub" }, `${where || help}; leave empty if not measured`),
      h("input", {
        inputmode: "decimal", autocomplete: "off", value: this.outcome[field] ?? "", pattern: "-?[0-9]*[.,]?[0-9]*",
        onchange: (e) => {
          const value = Number(e.target.value.replace(",", "."));
          this.outcome[field] = e.target.value.trim() === "" || !Number.isFinite(value) ? undefined : value;
          this.again();
        },
      }));
  }

  async photograph(field) {
    this.photoError = "";
    for (const file of field.files) {
      try {
        this.photographs.push((await raw("/api/photographs", file)).photograph);
      } catch (error) {
        this.photoError = error.message;
      }
    }
    field.value = "";
    this.again();
  }

  async keep(spot, spots) {
    const outcome = Object.fromEntries(Object.entries(this.outcome).filter(([, v]) => v !== undefined && v !== ""));
    const sent = record({
      ...this.target, cell: spot.cell, ...outcome, photographs: this.photographs,
      ...(this.note ? { note: this.note } : {}), ...(this.by ? { graded_by: this.by } : {}), ...(spot.gap_method ? { gap_method: spot.gap_method } : {}),
    });
    this.fresh();
    const next = spots[spots.indexOf(spot) + 1];
    announce(next ? `Kept. Next is cell ${next.cell}.` : "Kept. That was the last cell.");
    this.goTo(next ? next.cell : spot.cell);
    await sent;
  }
}
