// The tray: work orders at hand, parts to begin with, and the invitation to drop files.

import { download, get, post, remove } from "../api.js";
import { announce, h, morph, unseen } from "../dom.js";
import { finished, seldom, Stream } from "../live.js";
import { address, go, here, note } from "../route.js";
import * as words from "../words.js";
import { FILTERS, orderRow, SORTS, stateOf } from "./row.js";
import { Thumb } from "./thumb.js";

export class TrayPage {
  constructor(place, bench) {
    this.place = place;
    this.bench = bench;
    this.sheets = null;
    this.demo = null;
    this.picked = new Set();
    this.thumbs = new Map();
    const { search = "", sort = "changed", show = "all" } = here().query;
    Object.assign(this, { search, sort: sort in SORTS ? sort : "changed", show: show in FILTERS ? show : "all" });
    this.load();
    this.loadSoon = seldom(() => this.load());
    this.events = new Stream("/api/events", {
      sheets: () => this.loadSoon(),
      bench: ({ busy }) => {
        bench.isBusy(busy);
        this.loadSoon();
      },
    });
    get("/api/demo").then(({ parts }) => {
      this.demo = parts;
      this.render();
    }, () => { /* the list of sheets says what is wrong */ });
  }

  close() {
    this.closed = true;
    this.events.close();
    clearTimeout(this.waiting);
    this.loadSoon.cancel();
    this.thumbs.forEach((thumb) => thumb.close());
  }

  route() {
    this.closed = false;
    document.title = "Work orders: falsework bench";
    this.render();
  }

  /** What the page offers by name: see palette.js. */
  commands() {
    const shown = this.shown;
    return [
      { name: "Choose files of parts", run: () => document.getElementById("pick-file").click() },
      ...shown.map((sheet) => ({ name: `Open ${sheet.title}`, hint: stateOf(sheet)[1], run: () => go(`/sheets/${sheet.id}`) })),
      ...Object.entries(SORTS).map(([key, [word]]) => ({ name: `Sort by ${word}`, run: () => this.set({ sort: key }) })),
      ...Object.entries(FILTERS).map(([key, [word]]) => ({ name: `Show ${word}`, run: () => this.set({ show: key }) })),
      { name: "Make an address for one more browser", run: () => this.invite() },
    ];
  }

  async load() {
    try {
      this.sheets = (await get(`/api/sheets?search=${encodeURIComponent(this.search)}`)).sheets;
      this.error = null;
    } catch (error) {
      this.error = error;
    }
    this.picked = new Set([...this.picked].filter((id) => this.sheets?.some((sheet) => sheet.id === id)));
    this.handOut();
    this.render();
  }

  find(text) {
    this.search = text;
    go(address([], { ...here().query, search: text }), { replace: true });
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.load(), 200);
  }

  /** Sort or filter; the address keeps it. */
  set(what) {
    Object.assign(this, what);
    note({ sort: this.sort === "changed" ? null : this.sort, show: this.show === "all" ? null : this.show });
    this.render();
  }

  get shown() {
    return (this.sheets || []).filter(FILTERS[this.show][1]).sort(SORTS[this.sort][1]);
  }

  // ---- several at once --------------------------------------------------------------------------------------------

  pick(id, on) {
    if (on) this.picked.add(id);
    else this.picked.delete(id);
    this.render();
  }

  get chosen() {
    return (this.sheets || []).filter((sheet) => this.picked.has(sheet.id));
  }

  /** Have something done for each chosen one; the first thing that goes wrong is shown. */
  async each(act) {
    const done = await Promise.allSettled(this.chosen.map(act));
    const failed = done.find((one) => one.status === "rejected");
    await this.load();
    this.error = failed ? failed.reason : null;
    this.render();
  }

  plan() {
    return this.each((sheet) => post(`/api/sheets/${sheet.id}/stages/release`, {}));
  }

  /** Have the files of the chosen ones written; once all are, they come as one archive. */
  take() {
    this.taking = new Set(this.picked);
    return this.each((sheet) => (sheet.stages.files === "ready" ? null : post(`/api/sheets/${sheet.id}/stages/files`, {})));
  }

  /** Hand the archive out once every sheet in it has its files; one that cannot have them is named. */
  handOut() {
    if (!this.taking || !this.sheets) return;
    const some = this.sheets.filter((sheet) => this.taking.has(sheet.id));
    const stopped = some.filter(({ stages }) => ["files", "release"].some((name) => ["failed", "idle"].includes(stages[name])));
    if (stopped.length && some.every((sheet) => stopped.includes(sheet) || sheet.stages.files === "ready")) {
      this.taking = null;
      this.error = new Error(`No files could be written for ${words.listed(stopped.map((one) => one.title))}. Open it to see why.`);
    } else if (some.length && some.every(({ stages }) => stages.files === "ready")) {
      this.taking = null;
      announce("The files are written.");
      location.assign(`/api/files.zip?sheets=${some.map((sheet) => sheet.id).join(",")}`);
    }
  }

  /** Parts, processes and the list of them, for a screening by command. */
  async screen() {
    try {
      await download(`/api/screening.zip?sheets=${[...this.picked].join(",")}`, "screening.zip");
      this.screened = this.picked.size;
      this.error = null;
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  throwSomeAway() {
    return this.each((sheet) => remove(`/api/sheets/${sheet.id}?version=${sheet.version}`).then(() => { this.thrown = sheet; }));
  }

  several() {
    const { chosen } = this, count = words.counted(chosen.length, "work order");
    return h("div", { class: "several", role: "group", "aria-label": "Chosen work orders", "data-key": "several" },
      h("span", { role: "status" }, chosen.length ? `${count} chosen` : "None chosen"),
      h("button", { type: "button", class: "quiet", onclick: () => { this.picked = new Set(this.shown.map((sheet) => sheet.id)); this.render(); } }, "All"),
      chosen.length ? [
        h("button", { type: "button", class: "quiet", onclick: () => { this.picked.clear(); this.render(); } }, "None"),
        h("button", { type: "button", class: "strong", disabled: Boolean(this.taking), onclick: () => this.take() }, this.taking ? "Files are being written…" : "Take the files"),
        h("button", { type: "button", onclick: () => this.plan() }, "Plan what is not planned"),
        h("button", { type: "button", onclick: () => this.screen() }, "Into one screening", unseen(": their files as they came, and a list that falsework screen reads")),
        chosen.length === 2 ? h("a", { class: "button", href: address(["compare", chosen[0].id, chosen[1].id]) }, "Compare the two") : null,
        h("button", { type: "button", onclick: () => this.throwSomeAway() }, "Throw away")] : null);
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
        h("p", { class: "verdict" }, "Drop parts anywhere on this page, one or many."),
        h("p", {}, "STL, 3MF, OBJ, PLY, OFF, glTF or STEP. Each is measured at once, and a work order begins to fill itself in: what arrived, which undersides need help, what that costs, how the supports come off, and whether another position is better."),
        h("p", {}, h("button", { type: "button", class: "strong", onclick: () => document.getElementById("pick-file").click() }, "Choose files…"))),
      this.error ? h("div", { class: "mind", role: "alert" }, h("p", {}, this.error.message), h("p", {}, h("button", { type: "button", onclick: () => this.load() }, "Try again"))) : null,
      this.thrown ? h("p", { role: "status" }, `${this.thrown.title} was thrown away; it is kept for 30 days. `, h("button", { type: "button", onclick: () => this.takeBack() }, "Take it back")) : null,
      this.screened ? h("p", { role: "status" }, `${words.counted(this.screened, "part")} in screening.zip. Unpack it, and there: `, h("span", { class: "code" }, "falsework screen parts.csv")) : null,
      this.list(),
      this.demos(),
      this.inviting()));
    this.mount();
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
      this.invitation ? h("div", { role: "status" },
        h("p", {}, h("span", { class: "code" }, this.invitation.address), ` works once, until ${words.moment(this.invitation.expires)}.`),
        h("img", { class: "phone-code", src: this.invitation.picture, alt: "The same address as a code for a phone's camera" })) : null];
  }

  list() {
    if (!this.sheets) return h("p", { role: "status" }, this.error ? "" : "The work orders are being fetched…");
    if (!this.sheets.length && !this.search) return h("p", { class: "verdict" }, "There is no work order yet. Drop a part, or begin with one of the museum's.");
    const { shown } = this, choose = (name, word, options) => h("label", {}, `${word} `, h("select", { value: this[name], onchange: (e) => this.set({ [name]: e.target.value }) },
      Object.entries(options).map(([value, [text]]) => h("option", { value }, text))));
    return [
      h("form", { class: "inline", role: "search", "aria-label": "Work orders", onsubmit: (e) => e.preventDefault() },
        h("label", { for: "search-sheets" }, "Find ", h("input", { id: "search-sheets", type: "search", value: this.search, oninput: (e) => this.find(e.target.value) })),
        choose("sort", "Sort by", SORTS), choose("show", "Show", FILTERS)),
      this.several(),
      shown.length ? h("ul", { class: "tray-list" }, shown.map((sheet) => orderRow(sheet, {
        picked: this.picked.has(sheet.id),
        on: {
          pick: (on) => this.pick(sheet.id, on), copy: () => this.copy(sheet), throwAway: () => this.throwAway(sheet),
          key: (event) => this.onKey(event, sheet),
        },
      }))) : h("p", { role: "status" }, this.search ? `No work order shown has “${this.search}” in its name or note.` : "No work order is like that.")];
  }

  /** Up and down go from order to order, x chooses one. */
  onKey(event, sheet) {
    if (event.target.matches("input, select") || event.ctrlKey || event.metaKey || event.altKey) return;
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (event.key === "x") this.pick(sheet.id, !this.picked.has(sheet.id));
    else if (step) this.place.querySelector(`[data-key="${this.shown[this.shown.indexOf(sheet) + step]?.id}"] .order-link`)?.focus();
    else return;
    event.preventDefault();
  }

  /** Pictures into their rows; those of rows that are gone go. */
  mount() {
    const rows = new Set(this.shown.map((sheet) => sheet.id));
    for (const [id, thumb] of this.thumbs) {
      if (!rows.has(id)) {
        thumb.close();
        this.thumbs.delete(id);
      }
    }
    for (const sheet of this.shown) {
      const host = this.place.querySelector(`[data-keep="thumb-${sheet.id}"]`);
      if (!host) continue;
      if (!this.thumbs.has(sheet.id)) this.thumbs.set(sheet.id, new Thumb(sheet.id));
      const thumb = this.thumbs.get(sheet.id);
      if (thumb.plate.element.parentNode !== host) host.append(thumb.plate.element);
      thumb.set(sheet.picture);
    }
  }

  demos() {
    if (!this.demo?.length) return null;
    return [h("h2", {}, "Parts to begin with"),
      h("p", {}, "From the print room of a small harbour museum. Museum and parts are invented; nothing of this has been printed."),
      h("ul", { class: "demo-parts" }, this.demo.map((part) => h("li", { "data-key": part.name },
        h("button", { type: "button", disabled: this.making === part.name, onclick: () => this.begin(part.name) }, this.making === part.name ? `${part.name}: being made…` : part.name), part.words ? h("span", { class: "sub" }, ` ${part.words}`) : null)))];
  }
}
