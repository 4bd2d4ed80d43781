// The ledger: prints and readings, to be searched, compared, carried out and brought in.

import { get } from "../api.js";
import { cautionSection, fetchCautions } from "../cautions.js";
import { h, morph } from "../dom.js";
import { Stream } from "../live.js";
import { address, go, note } from "../route.js";
import * as words from "../words.js";
import { scroll } from "../sheet/parts.js";
import { conditionWords, outcomeWords } from "../tuning/outcomes.js";
import { PrintPage } from "./print.js";

export class LedgerPage {
  constructor(place) {
    this.place = place;
    this.events = new Stream("/api/events", { ledger: () => this.load() });
  }

  close() {
    this.closed = true;
    this.events.close();
    this.print?.close();
    clearTimeout(this.waiting);
  }

  route({ path, query }) {
    const id = path[1] === "prints" ? Number(path[2]) : null;
    if (this.print && this.print.id !== id) {
      this.print.close();
      this.print = null;
    }
    if (id) {
      this.print ||= new PrintPage(this.place, id);
      this.print.route(query);
      return;
    }
    document.title = "Ledger: falsework bench";
    this.search = query.search || "";
    this.numbers = query.readings || "";
    this.pageNo = Number(query.page) || 1;
    this.load();
  }

  async load() {
    if (this.print) return void this.print.load();
    const query = `search=${encodeURIComponent(this.search)}`;
    try {
      await fetchCautions();
      const [prints, readings] = await Promise.all([get(`/api/prints?${query}`), get(`/api/readings?${query}&page=${this.pageNo}&numbers=${encodeURIComponent(this.numbers)}`)]);
      Object.assign(this, { prints, readings, error: null });
    } catch (error) {
      this.error = error;
    }
    this.render();
    return undefined;
  }

  at(page) {
    return address(["ledger"], { search: this.search, readings: this.numbers, page });
  }

  find(search) {
    this.search = search;
    this.pageNo = 1;
    note({ search, page: null });
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.load(), 250);
  }

  /** Bring in a tray or an export: tried first, kept when the user has seen what it would do. */
  async bringIn(field, keep = false) {
    const file = field ? field.files[0] : this.bringing.file;
    if (!file) return;
    const form = file.name.toLowerCase().endsWith(".json") ? "json" : "csv";
    try {
      const answer = await fetch(`/api/ledger/import?form=${form}${keep ? "" : "&keep=false"}`, { method: "POST", body: file });
      const body = await answer.json();
      if (!answer.ok) throw new Error(`${body.error.subject}: ${body.error.wrong}. ${body.error.cure}.`);
      this.bringing = keep ? null : { file, said: body };
      this.brought = keep ? file.name : null;
      this.importError = null;
      if (keep) await this.load();
    } catch (error) {
      this.importError = error.message;
      this.bringing = null;
    }
    if (field) field.value = "";
    this.render();
  }

  render() {
    if (this.closed || this.print) return;
    morph(this.place, h("div", { class: "sheet ledger" },
      h("p", { class: "doctype" }, "Ledger"),
      h("h1", { tabindex: -1 }, "What was printed, and what came of it"),
      this.error ? h("div", { class: "mind", role: "alert" }, h("p", {}, this.error.message), h("p", {}, h("button", { type: "button", onclick: () => this.load() }, "Try again"))) : null,
      h("form", { class: "inline", role: "search", onsubmit: (e) => e.preventDefault() },
        h("label", { for: "search-ledger" }, "Find ", h("input", { id: "search-ledger", type: "search", value: this.search || "", oninput: (e) => this.find(e.target.value) }))),
      this.numbers ? h("p", { role: "status" }, `Only readings ${this.numbers.replaceAll(",", ", ").replaceAll("-", " to ")} are shown. `, h("a", { href: "/ledger" }, "Show the whole ledger")) : null,
      this.prints ? [this.numbers ? null : this.printList(), this.readingList(), this.numbers ? null : this.carrying(), cautionSection(["take off"])] : h("p", { role: "status" }, this.error ? "" : "The ledger is being opened…")));
  }

  printList() {
    const { prints, total } = this.prints;
    return h("section", { "aria-labelledby": "h-prints" }, h("h2", { id: "h-prints" }, "Prints"),
      prints.length ? scroll("Prints", h("table", {},
        h("thead", {}, h("tr", {}, ["Print", "What", "Machine, material", "On", "Note"].map((t) => h("th", { scope: "col" }, t)))),
        h("tbody", {}, prints.map((p) => h("tr", { "data-key": `print-${p.id}` },
          h("th", { scope: "row", class: "whole" }, h("a", { href: address(["ledger", "prints", String(p.id)]) }, `print ${p.id}`)),
          h("td", {}, p.coupon ? `test piece ${p.coupon}` : p.part || "a part", p.invented && h("strong", { class: "prop" }, " invented")),
          h("td", {}, `${p.printer}, ${p.material}`), h("td", { class: "whole" }, p.printed_on || "–"), h("td", {}, p.note || "–"))))))
        : h("p", {}, this.search ? `No print has “${this.search}” in it.` : "No print has been recorded yet. On a work order, under Hand over, record that it was printed; or record a test piece under Tuning."),
      total > prints.length ? h("p", { class: "sub" }, `${prints.length} of ${total} shown; search for the others.`) : null);
  }

  readingList() {
    const { readings, total } = this.readings;
    if (!readings.length) return this.numbers ? h("p", {}, "None of them is in this ledger.") : null;
    const pages = Math.ceil(total / Math.max(readings.length, 1));
    return h("section", { "aria-labelledby": "h-readings" }, h("h2", { id: "h-readings" }, "Readings"),
      scroll("Readings", h("table", { class: "readings" },
        h("thead", {}, h("tr", {}, ["No.", "What was tried", "What was seen", "Print", "On"].map((t, k) => h("th", { scope: "col", class: k ? null : "n" }, t)))),
        h("tbody", {}, readings.map((r) => h("tr", { "data-key": `reading-${r.id}`, class: r.withdrawn ? "withdrawn" : null },
          h("th", { scope: "row", class: "n" }, r.id), h("td", {}, r.cell ? `${r.cell}: ` : "", conditionWords(r.reading.condition)),
          h("td", {}, outcomeWords(r.reading), r.withdrawn && h("strong", { class: "prop" }, " withdrawn"), r.reading.invented && h("strong", { class: "prop" }, " invented"),
            r.flags.map((f) => h("span", { class: "sub" }, `Attention: ${f}`))),
          h("td", { class: "whole" }, r.print_id ? h("a", { href: address(["ledger", "prints", String(r.print_id)], { reading: r.id }) }, `print ${r.print_id}`) : "–"), h("td", { class: "whole" }, r.when || "–")))))),
      total > readings.length || this.pageNo > 1 ? h("p", { class: "inline" },
        this.pageNo > 1 && h("button", { type: "button", onclick: () => go(this.at(this.pageNo - 1)) }, "Later ones"),
        h("span", {}, `${words.number(total, 0)} readings`),
        this.pageNo < pages && h("button", { type: "button", onclick: () => go(this.at(this.pageNo + 1)) }, "Earlier ones")) : null);
  }

  carrying() {
    const said = this.bringing?.said.recorded;
    return h("section", { "aria-labelledby": "h-carry" }, h("h2", { id: "h-carry" }, "Carry out, bring in"),
      h("p", {}, h("a", { href: "/api/ledger/export.csv", download: "" }, "All readings as CSV"), " · ", h("a", { href: "/api/ledger/export.json", download: "" }, "the whole ledger as JSON")),
      h("p", {}, h("label", { class: "button", for: "import-field" }, "Bring in a tray or a ledger…"),
        h("input", { id: "import-field", class: "unseen", type: "file", accept: ".csv,.json,text/csv,application/json", onchange: (e) => this.bringIn(e.target) })),
      this.importError ? h("p", { role: "alert", class: "prop" }, this.importError, " Nothing was brought in.") : null,
      this.bringing ? h("div", { class: "mind", role: "status" },
        h("p", {}, said ? `${words.counted(said.ids.length, "reading")} would be brought in.` : "It can be brought in."),
        said?.flags?.length ? h("ul", {}, said.flags.slice(0, 8).map((f) => h("li", {}, f))) : null,
        h("p", { class: "actions" }, h("button", { type: "button", class: "strong", onclick: () => this.bringIn(null, true) }, "Bring it in"), " ",
          h("button", { type: "button", onclick: () => { this.bringing = null; this.render(); } }, "Leave it"))) : null,
      this.brought ? h("p", { role: "status" }, `${this.brought} was brought in.`) : null);
  }
}

