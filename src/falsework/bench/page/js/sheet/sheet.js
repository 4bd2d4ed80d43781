// The work order on the page: title, sections from top to bottom, and the strip of totals at its foot.

import { post } from "../api.js";
import { announce, h, keep, morph, unseen } from "../dom.js";
import { dispose } from "../figure/solids.js";
import { address, go, here, note } from "../route.js";
import { Arrived } from "./arrived.js";
import { Comes } from "./comes.js";
import { footStrip } from "./foot.js";
import { Handover } from "./handover.js";
import { Lies } from "./lies.js";
import { stateWords } from "./parts.js";
import { Printed } from "./printed.js";
import { Program } from "./program.js";
import { Redraw } from "./redraw.js";
import { Release } from "./release.js";
import { SheetStore } from "./store.js";
import { Supports } from "./supports.js";
import { openBeside } from "./taking.js";
import { Portrait, titleBlock } from "./title.js";
import { fetchCode, fillTraveller, printTraveller, traveller } from "./traveller.js";
import { Undersides } from "./undersides.js";

const SECTIONS = [Arrived, Printed, Lies, Undersides, Supports, Release, Redraw, Comes, Handover, Program];

export class SheetPage {
  constructor(place, id) {
    this.place = place;
    this.id = id;
    this.store = new SheetStore(id);
    this.ui = {}; // selected number, way, layer, piece: what the address says
    this.hovering = new Set();
    this.solids = new Map();
    this.sections = SECTIONS.map((Section) => new Section(this));
    this.portrait = new Portrait(this);
    this.store.listen(() => {
      this.renderSoon();
      if (this.store.sheet) this.handOut();
    });
    this.keys = (event) => this.onKey(event);
    document.addEventListener("keydown", this.keys);
    this.prints = () => fillTraveller(this);
    window.addEventListener("beforeprint", this.prints);
    this.store.open().then(() => !this.closed && this.store.sheet && fetchCode(this)).catch(() => { /* printed without the code */ });
    this.renderSoon();
  }

  close() {
    this.closed = true; // a drawing that is still due must not overwrite the next place
    clearTimeout(this.noting);
    this.store.close();
    this.watching?.disconnect();
    clearTimeout(this.landing);
    this.landed();
    document.removeEventListener("keydown", this.keys);
    window.removeEventListener("beforeprint", this.prints);
    this.portrait.close();
    this.sections.forEach((section) => section.close());
    this.solids.forEach(({ solid }) => dispose(solid));
  }

  // ---- the address ------------------------------------------------------------------------------------------------

  /** Take over what the address says; `why` is 'load', 'go' or 'back'. */
  route({ path, query }, why) {
    const section = this.sections.some((one) => one.key === path[2]) ? path[2] : "arrived";
    this.ui = {
      section, number: Number(query.n) || 0, way: Number(query.way) || 0, piece: Number(query.piece) || 0,
      finding: Number(query.finding) || 0,
      layer: query.layer === undefined ? null : Number(query.layer), step: query.step === undefined ? null : Number(query.step),
    };
    if (why !== "go" || section !== this.current) this.wanted = path[2] ? section : null;
    if (query.look && why !== "go") this.sections.find((one) => one.key === section)?.lookFrom(query.look);
    this.current = section;
    this.renderSoon();
  }

  /** Select something: `{ number }`, `{ way }`, `{ piece }`, `{ layer }`, `{ finding }`; it goes into the address. */
  select(section, change, { quiet = false } = {}) {
    this.ui = { ...this.ui, ...change, section };
    this.current = section;
    const { number, way, piece, layer, step, finding } = this.ui;
    const to = address(["sheets", this.id, section], { n: number || null, way: way || null, piece: piece || null, layer, step, finding: finding || null });
    if (quiet) {
      clearTimeout(this.noting);
      this.noting = setTimeout(() => go(to, { replace: true }), 250);
    } else go(to);
    this.renderSoon();
  }

  /** Something is pointed at, in a table or a figure: all places that show it say so. */
  hover(kind, number) {
    this.sections.forEach((section) => section.pointed(kind, number));
    this.hovered = number ? `[data-${kind}="${number}"]` : null;
    this.warm();
  }

  /** Mark the rows that are pointed at; drawing the page anew takes the marks off. */
  warm() {
    for (const row of this.hovering) row.classList.remove("hot");
    this.hovering.clear();
    if (!this.hovered) return;
    for (const row of this.place.querySelectorAll(this.hovered)) {
      row.classList.add("hot");
      this.hovering.add(row);
    }
  }

  /** A solid that several figures show, made once for each `key`. */
  shared(name, key, make) {
    const known = this.solids.get(name);
    if (known?.key === key) return known.solid;
    dispose(known?.solid);
    const solid = make();
    this.solids.set(name, { key, solid });
    return solid;
  }

  // ---- drawing ----------------------------------------------------------------------------------------------------

  renderSoon() {
    if (this.due) return;
    this.due = true;
    requestAnimationFrame(() => {
      this.due = false;
      this.render();
    });
  }

  render() {
    const { store } = this;
    if (this.closed) return null;
    if (store.error) return morph(this.place, this.absent(store.error));
    if (store.gone) return morph(this.place, this.absent({ status: 410 }));
    if (!store.sheet) return morph(this.place, h("p", { class: "empty", role: "status" }, "The work order is being fetched…"));
    document.title = `${store.sheet.title}: work order`;
    morph(this.place,
      h("article", { class: "sheet", "aria-label": `Work order ${store.sheet.title}`, "data-version": store.sheet.version },
        titleBlock(this),
        this.rail(),
        this.sections.map((section, k) => this.row(section, k + 1)),
      ),
      traveller(this),
      footStrip(this));
    this.portrait.mount(this.place);
    for (const section of this.sections) section.mount(this.place);
    this.warm();
    this.watch();
    this.settle();
    return null;
  }

  /** The sections by name, beside the sheet: where one is, and how each stands. */
  rail() {
    const { store } = this;
    return h("nav", { class: "rail no-print", "aria-label": "Sections", "data-key": "rail" }, h("ol", {}, this.sections.map((section, k) => {
      const stage = section.stage(), state = section.stale() ? "stale" : stage.state;
      return h("li", { class: state }, h("a", {
        href: address(["sheets", store.id, section.key]), "data-section": section.key, "aria-current": section.key === this.current ? "location" : null,
        onclick: (event) => { event.preventDefault(); this.goTo(section.key, true); },
      }, h("b", {}, k + 1), " ", section.short || section.title, section.stages.length && state !== "ready" ? unseen(`, ${stateWords(stage)}`) : null));
    })));
  }

  /** The rail says where one is; where it is longer than the page is wide, it brings that into sight. */
  markRail() {
    const rail = this.place.querySelector(".rail");
    for (const link of rail?.querySelectorAll("a") || []) {
      const isHere = link.dataset.section === this.current;
      if (isHere) link.setAttribute("aria-current", "location");
      else link.removeAttribute("aria-current");
      if (isHere && rail.scrollWidth > rail.clientWidth) rail.scrollTo({ left: link.offsetLeft - rail.clientWidth / 2 });
    }
  }

  /** Have the files written, and take print.3mf when it is there. */
  async takeFiles() {
    this.taking = true;
    await this.store.ask("files");
    this.handOut();
  }

  handOut() {
    const { state } = this.store.stage("files");
    if (!this.taking || state === "queued" || state === "running" || state === "waiting") return;
    this.taking = false;
    if (state !== "ready") return void this.goTo("files", true);
    announce("The files are written.");
    const link = h("a", { href: `${this.store.url("/files/")}print.3mf`, download: "" });
    document.body.append(link);
    link.click();
    link.remove();
  }

  /** What the page offers by name: see palette.js. */
  commands() {
    const { store } = this;
    if (!store.sheet) return [];
    const { what, redo } = store.sheet.undo || {};
    return [
      { name: "Take the files", hint: "print.3mf", run: () => this.takeFiles() },
      ...(what ? [{ name: "Undo", hint: what, run: () => this.undo() }] : []),
      ...(redo ? [{ name: "Redo", hint: redo, run: () => this.redo() }] : []),
      { name: "Look for something better", hint: "other positions, planned whole", run: () => store.ask("lies") },
      { name: "Draw changes to the part", run: () => store.ask("redraw") },
      { name: "Print for the machine", hint: "one page", run: () => printTraveller() },
      { name: "Print the whole work order", run: () => window.print() },
      { name: "Rename this work order", run: () => this.rename() },
      { name: "Write a note to the operator", run: () => document.getElementById("note-field")?.focus() },
      { name: "Open a copy beside this one", run: () => openBeside(this, {}, "copy") },
      { name: "History of this work order", run: () => go(address(["sheets", store.id, "history"])) },
      ...this.sections.map((section, k) => ({ name: `${section.title}`, hint: `section ${k + 1}`, run: () => this.goTo(section.key, true) })),
    ];
  }

  rename() {
    this.renaming = true;
    this.render();
    document.getElementById("title-field")?.select();
  }

  row(section, number) {
    const stage = section.stage();
    const stale = section.stale();
    const state = stale ? "stale" : stage.state;
    const said = stale && ["ready", "idle"].includes(stage.state) ? "out of date" : stateWords(stage);
    const figure = section.plate && !section.bare && keep(`figure-${section.key}`, { class: "figure" });
    return h("section", {
      class: `row ${state}${figure ? "" : " plain"}`, id: section.key, "data-key": section.key,
      "aria-labelledby": `h-${section.key}`, "aria-busy": ["running", "queued"].includes(stage.state) ? "true" : null,
    },
    h("div", { class: "spine" },
      h("span", { class: "no", "aria-hidden": "true" }, number),
      section.stages.length ? h("span", { class: "state" }, said) : null),
    h("div", { class: "body" },
      h("h2", { id: `h-${section.key}`, tabindex: -1 }, section.title,
        stale && h("span", { class: "stale-mark" }, stage.state === "idle" || stage.state === "failed" ? " out of date" : " out of date: being worked out again")),
      section.view()),
    figure);
  }

  absent(error) {
    const gone = error.status === 404 || error.status === 410;
    return h("div", { class: "empty" },
      h("h1", {}, gone ? "This work order is not here" : "This work order cannot be shown"),
      h("p", {}, gone ? "It was thrown away, or the address is wrong. What was thrown away is kept for 30 days." : error.message),
      h("p", {}, gone && h("button", { type: "button", onclick: () => this.restore() }, "Take it back"),
        " ", h("a", { href: "/" }, "To all work orders")));
  }

  async restore() {
    try {
      await post(this.store.url("/restore"));
      location.reload();
    } catch (error) {
      const missing = error.status === 404 && { status: 0, message: "It is not kept: it was thrown away more than 30 days ago, or the address is wrong." };
      Object.assign(this.store, { error: missing || error, gone: false });
      this.renderSoon();
    }
  }

  /** Go to the section that the address names; while the sheet fills in above it, stay there until somebody scrolls. */
  settle() {
    if (!this.wanted) return;
    const place = document.getElementById(this.wanted);
    this.jumping = true;
    place.scrollIntoView({ block: "start" });
    clearTimeout(this.landing);
    this.landing = setTimeout(() => this.landed(), 2500);
    if (this.leaves) return;
    this.leaves = new AbortController();
    for (const type of ["wheel", "pointerdown", "keydown", "touchmove"]) {
      window.addEventListener(type, () => this.landed(), { signal: this.leaves.signal, passive: true });
    }
  }

  landed() {
    this.wanted = null;
    this.jumping = false;
    this.leaves?.abort();
    this.leaves = null;
  }

  /** The address follows what is read. */
  watch() {
    if (this.watching) return;
    this.watching = new IntersectionObserver((entries) => {
      for (const entry of entries) {
        const section = this.sections.find((one) => one.key === entry.target.id);
        section.inView = entry.isIntersecting;
        if (entry.isIntersecting) section.seen();
      }
      const first = this.sections.find((one) => one.inView);
      if (!first || this.jumping || first.key === this.current || here().path[0] !== "sheets") return;
      this.current = first.key;
      const { path, query } = here();
      go(address([path[0], path[1], first.key], { ...query, look: null }), { replace: true });
      this.markRail();
    }, { rootMargin: "-20% 0px -55% 0px" });
    for (const section of this.sections) this.watching.observe(document.getElementById(section.key));
  }

  /** A machine program was dropped on the sheet. */
  takeProgram(file) {
    return this.sections.find((section) => section instanceof Program).bring(file);
  }

  /** Go to a section. */
  goTo(section, focus = false) {
    this.select(section, {});
    this.wanted = section;
    this.settle();
    if (focus) document.getElementById(`h-${section}`)?.focus({ preventScroll: true });
  }

  /** The eye of a section's figure goes into the address. */
  noteLook(section, text) {
    if (here().path[2] === section.key) note({ look: text });
  }

  onKey(event) {
    if (event.altKey || !(event.ctrlKey || event.metaKey)) return;
    // in a field that is being written into, undo is the field's own; everywhere else it is the sheet's
    const field = event.target.closest?.("input, textarea, [contenteditable]");
    const words = field && !["checkbox", "radio", "range", "file"].includes(field.type);
    if (words && this.store.isWriting) return;
    const { what, redo } = this.store.sheet?.undo || {}, coming = this.store.pending.length > 0;
    const key = event.key.toLowerCase();
    if (key === "z" && !event.shiftKey && (what || coming)) {
      event.preventDefault();
      this.undo();
    } else if (((key === "z" && event.shiftKey) || key === "y") && (redo || coming)) {
      event.preventDefault();
      this.redo();
    }
  }

  async undo() {
    const what = await this.store.undo();
    if (what) announce(`Undone: ${what}`);
  }

  async redo() {
    const what = await this.store.redo();
    if (what) announce(`Done again: ${what}`);
  }
}
