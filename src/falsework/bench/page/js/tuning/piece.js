// One test piece: its files, and the form in which it is read off.

import { cautionList, fetchCautions } from "../cautions.js";
import { get, post } from "../api.js";
import { h, morph, unseen } from "../dom.js";
import { address, go, here } from "../route.js";
import * as words from "../words.js";
import { onOutbox } from "./outbox.js";
import { PIECES } from "./outcomes.js";
import { Recording } from "./recording.js";

const FILES = {
  "print.3mf": "the piece, ready for the program that makes the machine's code", "piece.stl": "the piece alone", "supports.stl": "its supports alone",
  "sheet.pdf": "the sheet that lies beside the printer", "sheet.html": "the same as a page", "readings.csv": "an empty tray to fill in", "coupon.json": "every cell, for programs",
};

export class PiecePage {
  constructor(place, code) {
    Object.assign(this, { place, code });
    this.recording = new Recording({
      target: { coupon: code }, again: () => this.render(),
      goTo: (cell) => go(address(["tuning", "pieces", code], { cell }), { replace: here().query.cell === undefined }),
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
    document.title = `Test piece ${this.code}: falsework bench`;
    this.render();
  }

  async load() {
    try {
      await fetchCautions();
      this.piece = await get(`/api/coupons/${encodeURIComponent(this.code)}`);
      this.error = null;
    } catch (error) {
      this.error = error;
    }
    this.render();
  }

  async again() {
    await post(`/api/coupons/${encodeURIComponent(this.code)}/files`).catch((error) => { this.error = error; });
    setTimeout(() => this.load(), 1500);
  }

  render() {
    if (this.closed) return;
    const { piece } = this;
    if (!piece) {
      morph(this.place, h("p", { class: "empty", role: "status" }, this.error ? this.error.message : "The test piece is being fetched…"));
      return;
    }
    const { coupon } = piece, url = `/api/coupons/${encodeURIComponent(this.code)}/files/`;
    morph(this.place, h("div", { class: "sheet piece" },
      h("p", { class: "doctype" }, h("a", { href: "/tuning" }, "Tuning"), " · test piece"),
      h("h1", { tabindex: -1 }, this.code),
      h("p", {}, `${words.sentence(PIECES[coupon.kind] || coupon.kind)} ${words.counted(coupon.cells.length, "cell")}, ${words.withUnit(coupon.minutes, "min", 0)}, ${words.mass(coupon.grams)}; ${piece.printer || coupon.process.printer.name}, ${piece.material || coupon.process.material.name}, process ${coupon.process.name}.`),
      h("section", { "aria-labelledby": "h-read" }, h("h2", { id: "h-read" }, "Record what you see"), 
        (piece.pictures || []).map((name) => h("img", { class: "piece-picture", src: `${url}${name}?view=1`, alt: "The piece from above, each cell with its name" })),
        this.recording.view(piece.spots, piece.readings, this.cell)),
      h("section", { "aria-labelledby": "h-piece-files" }, h("h2", { id: "h-piece-files" }, "Print it"),
        piece.files.length ? h("ul", { class: "files" }, piece.files.map((name) => h("li", {}, h("a", { href: url + name, download: "" }, name), h("span", {}, ` ${FILES[name] || ""}`),
          name === "sheet.html" ? [" ", h("a", { href: `${url}${name}?view=1`, target: "_blank", rel: "noopener" }, "look at it", unseen(" (opens a new tab)"))] : null)))
          : h("p", {}, "Its files were cleared away. ", piece.can_be_made && h("button", { type: "button", onclick: () => this.again() }, "Make them again")),
        cautionList([], piece.cautions)),
      h("p", {}, h("a", { href: "/tuning" }, "To what is to be set"))));
  }
}
