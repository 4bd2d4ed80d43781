// What the user marks on the part: faces to keep clean, faces supports must not touch, the axis of a load.

import { raw } from "../api.js";
import { announce, h, unseen } from "../dom.js";
import { applied, turnedBack, turnMatrix } from "../figure/eye.js";
import { dispose, markable } from "../figure/solids.js";
import { hatchSample } from "../colour.js";
import * as words from "../words.js";
import { progress } from "./parts.js";

const SHOW = 1, AVOID = 2; // bits of a face
const TOOLS = {
  look: ["look", "Only turn the figure."],
  "show-patch": ["show face: whole face", "Click a face that will be seen: supports then cost more there."],
  "show-brush": ["show face: stroke", "Draw over the faces that will be seen."],
  "avoid-patch": ["no support: whole face", "Click a face that no support may touch."],
  "avoid-brush": ["no support: stroke", "Draw over the faces that no support may touch."],
  rub: ["wipe", "Draw over marks to take them away."],
  load: ["load: square to a face", "Click a face: the part will be pulled square to it."],
};
const WAYS = [["up, +z", [0, 0, 1]], ["down, −z", [0, 0, -1]], ["front, −y", [0, -1, 0]], ["back, +y", [0, 1, 0]], ["left, −x", [-1, 0, 0]], ["right, +x", [1, 0, 0]]];
const near = (a, b) => a.every((v, k) => Math.abs(v - b[k]) < 1e-6);

export class Marks {
  constructor(section) {
    this.section = section;
    this.page = section.page;
    this.store = section.store;
    this.tool = "look";
    this.brush = 14; // radius in pixels
    this.aim = [120, 120];
    const { on } = section.plate;
    on.paint = (x, y, phase) => this.paint(x, y, phase);
    on.aim = (x, y) => this.point(x, y);
    on.key = (event) => this.key(event);
  }

  /** Whether anything is marked by face. */
  get anything() {
    const { show, keep_off: keepOff } = this.store.choices;
    return Boolean(show?.faces || keepOff);
  }

  get normalToPart() {
    return turnedBack(turnMatrix(this.section.placedTurn));
  }

  view() {
    const { store } = this, { choices } = store;
    const needsPatches = this.tool.endsWith("patch") && !store.value("patches", "patches.bin");
    return h("details", { class: "marks no-print", "data-key": "marks", open: this.tool !== "look" || this.anything || null },
      h("summary", {}, "Mark faces to keep clean, faces supports must not touch, and a load"),
      h("fieldset", { class: "tools" }, h("legend", {}, "With the pointer, on the figure"),
        Object.entries(TOOLS).map(([key, [word]]) => h("label", {}, h("input", {
          type: "radio", name: "mark-tool", value: key, checked: this.tool === key, onchange: () => this.take(key),
        }), ` ${word}`))),
      h("p", { class: "sub", role: "status" }, TOOLS[this.tool][1], this.tool === "look" ? "" : " Dragging beside the part turns it. By keyboard: arrow keys move the ring, Enter marks, Shift with arrow keys turns."),
      needsPatches && (store.stage("patches").state === "failed" ? h("p", {}, "Whole faces could not be found; strokes work.") : progress(store, "patches", "finding whole faces")),
      this.tool.endsWith("brush") || this.tool === "rub" ? h("label", { class: "short-range" }, "Width of the stroke ", h("input", {
        type: "range", min: 4, max: 60, value: this.brush, oninput: (e) => { this.brush = Number(e.target.value); },
      })) : null,
      this.byDirection("show", "By direction: faces to keep clean look, in the part as it came,"),
      this.byDirection("spare", "By direction: faces supports must not touch look, in the part as it came,"),
      h("div", { class: "inline" },
        h("label", { for: "load-axis" }, "It will be pulled along ",
          h("select", { id: "load-axis", value: this.axisKey(), onchange: (e) => this.setAxis(e.target.value) },
            [["", "no axis in particular"], ["1,0,0", "x"], ["0,1,0", "y"], ["0,0,1", "z"]].map(([value, word]) => h("option", { value }, word)),
            this.axisKey() === "own" ? h("option", { value: "own" }, `(${choices.load_axis.map((v) => words.number(v, 2)).join(", ")})`) : null)),
        this.counted("show faces", choices.show?.faces, () => store.choose({ show: { faces: null } })),
        this.counted("faces supports must not touch", choices.keep_off, () => store.choose({ keep_off: null }))),
      h("p", { class: "sub" }, h("span", { class: "dots-sample", "aria-hidden": "true" }), " dotted: to keep clean. ", hatchSample(3),
        " cross-hatched: supports must not touch: no support stands there, and undersides there get none; one that lies there altogether is carried if you decide so."),
      this.error ? h("p", { role: "alert", class: "prop" }, this.error) : null);
  }

  byDirection(field, legend) {
    const directions = this.store.choices[field]?.directions || [];
    const toggle = (way, on) => this.store.choose({ [field]: { directions: on ? [...directions, way] : directions.filter((d) => !near(d, way)) } });
    return h("fieldset", { class: "tools" }, h("legend", {}, legend),
      WAYS.map(([word, way]) => h("label", {}, h("input", {
        type: "checkbox", checked: directions.some((d) => near(d, way)), onchange: (e) => toggle(way, e.target.checked),
      }), ` ${word}`)));
  }

  counted(what, digest, clear) {
    if (!digest) return null;
    return h("span", {}, `Marked by hand: ${what}. `, h("button", { type: "button", class: "quiet", onclick: clear }, "Take them away", unseen(`: ${what}`)));
  }

  axisKey() {
    const axis = this.store.choices.load_axis;
    if (!axis) return "";
    const plain = [[1, 0, 0], [0, 1, 0], [0, 0, 1]].find((one) => near(one, axis.map(Math.abs)));
    return plain ? plain.join(",") : "own";
  }

  setAxis(text) {
    if (text !== "own") this.store.choose({ load_axis: text ? text.split(",").map(Number) : null });
  }

  take(tool) {
    this.tool = tool;
    this.section.plate.painting = tool !== "look";
    this.section.drawn = null;
    if (tool.endsWith("patch") && this.store.stage("patches").state === "idle") this.store.ask("patches");
    this.clearAim();
    this.page.renderSoon();
  }

  // ---- the figure -------------------------------------------------------------------------------------------------

  /** The part face by face with its marks, as the sheet lays it; `over` a way that is pointed at meanwhile. */
  draw(over) {
    const { section, store } = this;
    if (this.solidKey !== section.solidKey) {
      dispose(this.solid);
      this.solid = markable(section.solid);
      this.solidKey = section.solidKey;
      this.loaded = {};
    }
    this.load("show", store.choices.show?.faces || null, SHOW);
    this.load("avoid", store.choices.keep_off || null, AVOID);
    const way = over || (this.tool === "look" ? section.looked : null);
    const turn = way ? way.lie.turn_deg : section.placedTurn;
    const key = `marks ${this.solidKey} ${turn} ${store.choices.load_axis}`;
    if (section.drawn === key) return;
    section.drawn = key;
    const items = section.laidItems({ turn_deg: turn }).map((item) => (item.solid === section.solid ? { ...item, solid: this.solid, pastLimit: undefined } : item));
    section.plate.set({ items, arrows: this.arrows(turn) });
    section.plate.say(way ? `Position ${way.number}: ${way.lie.label}, with what is marked.` : "As the sheet has it, with what is marked.");
  }

  /** Bring the marks kept by the server onto the figure. */
  async load(name, digest, bit) {
    if (this.loaded[name] === digest) return;
    this.loaded[name] = digest;
    const { marks } = this.solid;
    for (let i = 0; i < marks.length; i++) marks[i] &= ~bit;
    if (digest) {
      try {
        const bits = new Uint8Array(await (await fetch(`/api/marks/${digest}`)).arrayBuffer());
        for (let i = 0; i < this.solid.faces; i++) if ((bits[i >> 3] >> (i & 7)) & 1) marks[i] |= bit;
      } catch {
        this.loaded[name] = undefined;
      }
    }
    this.shownAgain();
  }

  shownAgain() {
    if (!this.solid) return;
    this.solid.texture.needsUpdate = true;
    this.section.plate.redraw();
  }

  arrows(turnDeg) {
    const axis = this.store.choices.load_axis, { plate } = this.section;
    if (!axis || !plate.bounds) return [];
    const way = applied(turnMatrix(turnDeg), axis), [low, high] = plate.bounds;
    const middle = low.map((v, k) => (v + high[k]) / 2), length = 0.55 * Math.max(...high.map((v, k) => v - low[k]));
    return [1, -1].map((sign) => ({ from: middle, to: middle.map((v, k) => v + sign * length * way[k]), kind: "load", word: sign > 0 ? "load" : "" }));
  }

  // ---- marking ----------------------------------------------------------------------------------------------------

  /** Faces under the pointer: a whole patch, or what the brush covers. */
  under(x, y) {
    const { plate } = this.section;
    if (this.tool.endsWith("brush") || this.tool === "rub") return plate.idsAround(x, y, this.brush).map((id) => id - 1).filter((id) => id >= 0);
    const hit = plate.at(x, y);
    if (hit?.kind !== 0 || !hit.id) return [];
    const labels = this.store.value("patches", "patches.bin")?.arrays.label;
    if (!labels) return [];
    const wanted = labels[hit.id - 1], faces = [];
    for (let i = 0; i < labels.length; i++) if (labels[i] === wanted) faces.push(i);
    return faces;
  }

  paint(x, y, phase) {
    if (this.tool === "load") {
      if (phase === "end") this.loadFrom(x, y);
      return;
    }
    if (phase !== "end" || !this.touched) {
      const faces = this.under(x, y), bit = this.tool.startsWith("show") ? SHOW : this.tool.startsWith("avoid") ? AVOID : 0;
      if (!faces.length || !this.solid) return;
      if (phase === "begin") this.setting = !bit ? false : this.tool.endsWith("patch") ? !(this.solid.marks[faces[0]] & bit) : true;
      const { marks } = this.solid;
      for (const face of faces) {
        if (!bit) marks[face] &= ~(SHOW | AVOID);
        else if (this.setting) marks[face] = (marks[face] & ~(SHOW | AVOID)) | bit; // a face is one or the other
        else marks[face] &= ~bit;
      }
      this.touched = true;
      this.shownAgain();
      if (this.tool.endsWith("patch")) this.finish();
    }
    if (phase === "end") this.finish();
  }

  /** A stroke has ended: keep the marks. */
  async finish() {
    if (!this.touched) return;
    this.touched = false;
    const bits = (bit) => {
      const out = new Uint8Array(Math.ceil(this.solid.faces / 8));
      let any = false;
      for (let i = 0; i < this.solid.faces; i++) {
        if (!(this.solid.marks[i] & bit)) continue;
        out[i >> 3] |= 1 << (i & 7);
        any = true;
      }
      return any ? out : null;
    };
    const keep = async (some) => (some ? (await raw("/api/marks", some)).digest : null);
    try {
      const [show, avoid] = await Promise.all([keep(bits(SHOW)), keep(bits(AVOID))]);
      this.loaded = { show, avoid };
      const { choices } = this.store, change = {};
      if ((choices.show?.faces || null) !== show) change.show = { faces: show };
      if ((choices.keep_off || null) !== avoid) change.keep_off = avoid;
      this.error = "";
      if (Object.keys(change).length) await this.store.choose(change);
      announce("Marked.");
    } catch (error) {
      this.error = `The marks could not be kept: ${error.message}`;
      this.page.renderSoon();
    }
  }

  loadFrom(x, y) {
    const hit = this.section.plate.at(x, y);
    if (hit?.kind !== 0 || !hit.id) return;
    const { positions, faces } = this.section.solid.source, k = 3 * (hit.id - 1);
    const [a, b, c] = [0, 1, 2].map((i) => [...positions.subarray(3 * faces[k + i], 3 * faces[k + i] + 3)]);
    const u = b.map((v, i) => v - a[i]), w = c.map((v, i) => v - a[i]);
    const normal = [u[1] * w[2] - u[2] * w[1], u[2] * w[0] - u[0] * w[2], u[0] * w[1] - u[1] * w[0]];
    const length = Math.hypot(...normal);
    if (!(length > 0)) return;
    const own = applied(this.normalToPart, normal.map((v) => v / length));
    this.store.choose({ load_axis: own.map((v) => (Math.abs(v) < 1e-9 ? 0 : Number(v.toFixed(6)))) });
    announce("The load pulls square to that face.");
  }

  // ---- the ring ---------------------------------------------------------------------------------------------------

  point(x, y) {
    this.aim = [x, y];
    const radius = this.tool.endsWith("brush") || this.tool === "rub" ? this.brush : 5;
    this.section.plate.cursor = x < 0 ? null : [x, y, radius];
    this.section.plate.write(this.section.plate.lastView || this.section.plate.view);
  }

  clearAim() {
    this.section.plate.cursor = null;
  }

  key(event) {
    const moves = { ArrowLeft: [-8, 0], ArrowRight: [8, 0], ArrowUp: [0, -8], ArrowDown: [0, 8] };
    if (event.key === "Enter" || event.key === " ") {
      const [x, y] = this.aim;
      this.paint(x, y, "begin");
      this.paint(x, y, "end");
      return true;
    }
    if (!moves[event.key] || event.shiftKey) return false;
    const { canvas } = this.section.plate;
    const start = this.section.plate.cursor ? this.aim : [canvas.clientWidth / 2, canvas.clientHeight / 2];
    this.point(
      Math.max(0, Math.min(canvas.clientWidth - 1, start[0] + moves[event.key][0])),
      Math.max(0, Math.min(canvas.clientHeight - 1, start[1] + moves[event.key][1])));
    return true;
  }
}
