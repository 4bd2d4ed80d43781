// The tray: work orders at hand, parts to begin with, and the invitation to drop a file.

import { get, post, remove } from "./api.js";
import { h, morph, unseen } from "./dom.js";
import { finished, Stream } from "./live.js";
import { address, go, here } from "./route.js";
import * as words from "./words.js";

const ORDER = ["part", "undersides", "totals", "supports", "release"];

/** How far a sheet has come, in words. */
function state(stages) {
  if (ORDER.some((name) => stages[name] === "failed")) return ["failed", "stopped by an error"];
  if (stages.files === "ready") return ["done", "files written"];
  if (stages.release === "ready") return ["done", "planned"];
  if (ORDER.some((name) => stages[name] === "running" || stages[name] === "queued")) return ["running", "being worked out"];
  return ["idle", "begun"];
}

export class TrayPage {
  constructor(place, bench) {
    this.place = place;
    this.bench = bench;
    this.sheets = null;
    this.demo = null;
    this.search = here().query.search || "";
    this.load();
    this.events = new Stream("/api/events", { sheets: () => this.load(), bench: ({ busy }) => bench.isBusy(busy) });
    get("/api/demo").then(({ parts }) => {
      this.demo = parts;
      this.render();
    }, () => { /* the list of sheets says what is wrong */ });
  }

  close() {
    this.closed = true;
    this.events.close();
    clearTimeout(this.waiting);
  }

  route() {
    this.closed = false;
    document.title = "Work orders: falsework bench";
    this.render();
  }

  async load() {
    try {
      this.sheets = (await get(`/api/sheets?search=${encodeURIComponent(this.search)}`)).sheets;
      this.error = null;
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  find(text) {
    this.search = text;
    go(address([], { search: text }), { replace: true });
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.load(), 200);
  }

  async begin(name) {
    try {
      this.making = name;
      this.render();
      const { sheet } = await finished(await post(`/api/demo/${encodeURIComponent(name)}`));
      go(`/sheets/${sheet}`);
    } catch (error) {
      this.error = error;
    }
    this.making = null;
    this.render();
  }

  async throwAway(sheet) {
    try {
      await remove(`/api/sheets/${sheet.id}?version=${sheet.version}`);
      this.thrown = sheet;
    } catch (error) {
      this.error = error;
    }
    await this.load();
  }

  async takeBack() {
    const { id } = this.thrown;
    this.thrown = null;
    await post(`/api/sheets/${id}/restore`).catch((error) => { this.error = error; });
    await this.load();
  }

  async copy(sheet) {
    const made = await post(`/api/sheets/${sheet.id}/copy`).catch((error) => { this.error = error; });
    if (made) go(`/sheets/${made.id}`);
    else this.render();
  }

  render() {
    if (this.closed) return;
    morph(this.place, h("div", { class: "sheet tray" },
      h("p", { class: "doctype" }, "The tray"),
      h("h1", { tabindex: -1 }, "Work orders"),
      h("div", { class: "drop-here" },
        h("p", { class: "verdict" }, "Drop a part anywhere on this page."),
        h("p", {}, "STL, 3MF, OBJ, PLY, OFF, glTF or STEP. It is measured at once, and a work order begins to fill itself in: what arrived, how it should lie, which undersides need help, what that costs, and how the supports come off."),
        h("p", {}, h("button", { type: "button", class: "strong", onclick: () => document.getElementById("pick-file").click() }, "Choose a file…"))),
      this.error ? h("div", { class: "mind", role: "alert" }, h("p", {}, this.error.message), h("p", {}, h("button", { type: "button", onclick: () => this.load() }, "Try again"))) : null,
      this.thrown ? h("p", { role: "status" }, `${this.thrown.title} was thrown away; it is kept for 30 days. `, h("button", { type: "button", onclick: () => this.takeBack() }, "Take it back")) : null,
      this.list(),
      this.demos(),
      this.inviting()));
  }

  async invite() {
    try {
      this.invitation = await post("/api/invitations");
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  /** One more browser: a colleague, or the phone at the printer. */
  inviting() {
    return [h("h2", {}, "One more browser"),
      h("p", {}, "A colleague's computer, or the phone that reads off test pieces at the printer, is let in by an address that works once. Other machines reach the bench only if it was started so that they can (--host)."),
      h("p", {}, h("button", { type: "button", onclick: () => this.invite() }, "Make an address")),
      this.invitation ? h("p", { role: "status" }, h("span", { class: "code" }, this.invitation.address), ` works once, until ${words.moment(this.invitation.expires)}.`) : null];
  }

  list() {
    if (!this.sheets) return h("p", { role: "status" }, this.error ? "" : "The work orders are being fetched…");
    const search = h("form", { class: "inline", role: "search", onsubmit: (e) => e.preventDefault() },
      h("label", { for: "search-sheets" }, "Find ", h("input", { id: "search-sheets", type: "search", value: this.search, oninput: (e) => this.find(e.target.value) })));
    if (!this.sheets.length) {
      return this.search ? [search, h("p", { role: "status" }, `No work order has “${this.search}” in its name.`)]
        : h("p", { class: "verdict" }, "There is no work order yet. Drop a part, or begin with one of the museum's.");
    }
    const sized = this.sheets.some((sheet) => sheet.size_mm);
    return [search, h("div", { class: "scroll", role: "region", "aria-label": "Work orders", tabindex: 0 }, h("table", { class: "tray-list" },
      h("thead", {}, h("tr", {}, ["Work order", "Part", sized && "Size", "State", "Changed"].filter(Boolean).map((t) => h("th", { scope: "col" }, t)), h("th", { scope: "col" }, unseen("Actions")))),
      h("tbody", {}, this.sheets.map((sheet) => {
        const [kind, word] = state(sheet.stages);
        return h("tr", { "data-key": sheet.id },
          h("th", { scope: "row" }, h("a", { href: `/sheets/${sheet.id}` }, sheet.title)),
          h("td", { class: "wrap" }, sheet.part_name), sized && h("td", {}, sheet.size_mm ? words.sizeOf(sheet.size_mm) : "–"),
          h("td", { class: `tray-state ${kind}` }, word), h("td", {}, words.moment(sheet.changed)),
          h("td", {}, h("button", { type: "button", class: "quiet", onclick: () => this.copy(sheet) }, "Copy", unseen(` ${sheet.title}`)), " ",
            h("button", { type: "button", class: "quiet", onclick: () => this.throwAway(sheet) }, "Throw away", unseen(` ${sheet.title}`))));
      }))))];
  }

  demos() {
    if (!this.demo?.length) return null;
    return [h("h2", {}, "Parts to begin with"),
      h("p", {}, "From the print room of a small harbour museum. Museum and parts are invented; nothing of this has been printed."),
      h("ul", { class: "demo-parts" }, this.demo.map((part) => h("li", { "data-key": part.name },
        h("button", { type: "button", disabled: this.making === part.name, onclick: () => this.begin(part.name) }, this.making === part.name ? `${part.name}: being made…` : part.name), part.words ? h("span", { class: "sub" }, ` ${part.words}`) : null)))];
  }
}
