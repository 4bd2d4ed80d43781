// A plate: one figure on the sheet. It shows solids, numbered tags and arrows; it is turned by hand or keyboard,
// draws only when something changed, and can be pointed at.

import { h, morph, s } from "../dom.js";
import { onLight, tones } from "../colour.js";
import { number } from "../words.js";
import { around, axesOf, dot, LOOKS, scaleToFit } from "./eye.js";
import { hands } from "./hands.js";
import { renderer } from "./renderer.js";
import { drawnArrow, drawnTags, placeTags, roundLength } from "./tags.js";

const STILL_MS = 160, HELD_MS = 800; // after the last movement the full mesh is drawn; while it is held, later
const SLOW_MS = 26, QUICK_MS = 12, COARSEST = 0.35; // of a picture while it moves; as a share of its pixels' density
let density = 1; // of pictures that move: as fine as this machine draws at thirty a second
const plates = new Set();
const due = new Set();
let asked = false;

onLight(() => plates.forEach((plate) => plate.redraw()));
window.addEventListener("beforeprint", () => plates.forEach((plate) => plate.draw()));

const seenOnScreen = new IntersectionObserver((entries) => {
  for (const entry of entries) {
    const plate = entry.target.plate;
    plate.onScreen = entry.isIntersecting;
    if (plate.onScreen && plate.stale) plate.redraw();
  }
}, { rootMargin: "200px" });

function ask(plate) {
  due.add(plate);
  if (asked) return;
  asked = true;
  requestAnimationFrame(() => {
    asked = false;
    const now = [...due];
    due.clear();
    now.forEach((one) => one.draw());
  });
}

export class Plate {
  /**
   * `name` is unique on the page, `label` names it for screen readers, `home` one of LOOKS. `small`: a picture
   * without controls. Set `on.hover(number)`, `on.pick(number)`, `on.paint(…)`, `on.eye()` to be told.
   */
  constructor({ name, label, home = "above", small = false, help = "" }) {
    this.home = LOOKS[home];
    this.eye = { turn: this.home.turn, rise: this.home.rise, grown: 1, right: 0, up: 0 };
    this.toldEye = this.eyeText; // as the address has it
    this.items = [];
    this.tags = [];
    this.arrows = [];
    this.outlines = []; // boxes to look into: `{ z, box: [x0, y0, x1, y1] }`
    this.on = {};
    this.hot = 0;
    this.chosen = 0;
    this.small = small;
    this.visible = null; // numbers seen in the last still picture, with a place on each
    this.always = false; // tags are shown whether or not what they name is seen
    this.canvas = h("canvas", {
      class: "stage-canvas", role: "img", "aria-label": label, tabindex: small ? null : 0,
      "aria-describedby": small ? null : `${name}-help`, "data-key": `${name}-canvas`,
    });
    this.overlay = s("svg", { class: "stage-overlay", "aria-hidden": "true" });
    this.stage = h("div", { class: "stage" }, this.canvas, this.overlay);
    this.caption = h("figcaption", {});
    this.element = h("figure", { class: small ? "plate small" : "plate" }, this.stage);
    if (!small) {
      this.wide = h("button", { type: "button", class: "quiet", "aria-pressed": "false", onclick: () => this.fill(!this.whole) }, "whole window");
      this.planeTools = h("div", { class: "plane" });
      const looks = Object.entries(LOOKS).map(([key, look]) =>
        h("button", { type: "button", class: "quiet", onclick: () => this.goTo(key) }, look.word));
      this.element.append(
        h("div", { class: "plate-tools", role: "group", "aria-label": `${label}: look from` },
          h("span", { class: "sub", "aria-hidden": "true" }, "from"), looks, this.wide, this.planeTools),
        this.caption,
        h("p", { class: "unseen", id: `${name}-help` },
          `Drag or use the arrow keys to turn, plus and minus to change the size, 0 to put it back. ${help}`),
      );
      this.drawPlane();
      hands(this);
    } else this.element.append(this.caption);
    this.stage.plate = this;
    plates.add(this);
    seenOnScreen.observe(this.stage);
    new ResizeObserver(() => this.redraw()).observe(this.stage);
  }

  /** Show these; what is left out stays as it is. */
  set(what) {
    Object.assign(this, what);
    if (what.items) {
      this.items = what.items.filter((item) => item?.solid);
      const boxes = this.items.filter((item) => item.solid.kind !== 2).map((item) => item.bounds || item.solid.bounds);
      this.bounds = boxes.length ? around(boxes) : null;
      this.visible = null;
    }
    this.redraw();
  }

  redraw() {
    this.stale = true;
    if (this.onScreen) ask(this);
  }

  /** Over the whole window, until Escape or the button: the figure stays where it is on the sheet. */
  fill(whole) {
    this.whole = whole;
    this.element.classList.toggle("whole", whole);
    this.wide.setAttribute("aria-pressed", whole ? "true" : "false");
    this.wide.textContent = whole ? "back to the sheet" : "whole window";
    document.body.classList.toggle("filled", whole);
    this.leaves?.abort();
    this.leaves = null;
    if (whole) {
      this.leaves = new AbortController();
      document.addEventListener("keydown", (event) => event.key === "Escape" && this.fill(false), { signal: this.leaves.signal });
    }
    this.redraw();
  }

  /** A section plane: what lies beyond it, along one axis, is not drawn, and the inside is laid open. */
  drawPlane() {
    const { plane } = this, axes = ["x", "y", "z"];
    const set = (next) => {
      this.plane = next;
      this.drawPlane();
      this.moved();
    };
    const id = `${this.canvas.dataset.key}-plane`;
    morph(this.planeTools,
      h("label", {}, "Section ", h("select", { value: plane ? axes[plane.axis] : "", onchange: (e) => set(e.target.value ? { axis: axes.indexOf(e.target.value), at: 0.5 } : null) },
        [["", "none"], ["x", "across x"], ["y", "across y"], ["z", "across z"]].map(([value, word]) => h("option", { value }, word)))),
      plane ? h("input", { type: "range", id, min: 0, max: 1, step: 0.005, value: plane.at, "aria-label": `Where the section is, along ${axes[plane.axis]}`, oninput: (e) => set({ ...plane, at: Number(e.target.value) }) }) : null);
  }

  /** The plane as the renderer takes it: the way beyond, and how far along it. */
  get section() {
    if (!this.plane || !this.bounds) return null;
    const { axis, at } = this.plane, way = [0, 0, 0];
    way[axis] = 1;
    return [...way, this.bounds[0][axis] + at * (this.bounds[1][axis] - this.bounds[0][axis])];
  }

  /** Movement: thin meshes until it rests. */
  moved() {
    this.turning = true;
    clearTimeout(this.resting);
    this.resting = setTimeout(() => {
      this.turning = false;
      this.visible = null;
      this.redraw();
      if (this.eyeText !== this.toldEye) this.on.eye?.();
      this.toldEye = this.eyeText;
    }, this.held ? HELD_MS : STILL_MS);
    this.redraw();
  }

  /** It is held by a pointer, or let go: a slow machine does not draw the full mesh between two movements. */
  hold(held) {
    this.held = held;
    if (!held && this.turning) this.moved();
  }

  get view() {
    const width = Math.max(2, this.stage.clientWidth), height = Math.max(2, this.stage.clientHeight);
    const sharp = Math.min(window.devicePixelRatio || 1, 2) * (this.turning ? density : 1);
    const fine = this.turning || sharp >= 1.5 ? 1 : 2;
    const axes = axesOf(this.eye), [low, high] = this.bounds;
    const room = this.small ? 8 : this.tags.length ? 96 : 44;
    const homeScale = scaleToFit(this.bounds, axesOf(this.home), width - room, height - (this.small ? Math.max(14, 0.12 * height) : 58));
    const scale = homeScale * this.eye.grown; // pixels a millimetre
    const deep = Math.max(1e-6, Math.hypot(...high.map((v, k) => v - low[k]))) * 1.2;
    return {
      width: Math.round(width * sharp), height: Math.round(height * sharp), fine, sharp, axes, deep, scale,
      wide: width, tall: height, middle: low.map((v, k) => (v + high[k]) / 2), grown: this.eye.grown,
      fit: [(2 * scale) / width, (2 * scale) / height, this.eye.right, this.eye.up + (this.small ? 0 : 0.03)],
      section: this.section, tones: tones(), accent: [0.96, 0.62, 0.1], turning: Boolean(this.turning),
    };
  }

  draw() {
    const engine = renderer();
    this.stage.classList.toggle("bare", !this.bounds || !engine);
    if (!this.bounds || !this.stage.isConnected) return;
    if (!engine || engine.lost) {
      morph(this.caption, "Figures need WebGL 2, which this browser does not give; all the rest of the sheet works without.");
      return;
    }
    this.stale = false;
    const view = this.view;
    const items = this.items.map((item) => ({
      ...item, plain: item.plain || this.tone(item.solid.kind),
      hot: item.solid.tagged && item.pointed !== false ? this.hot : 0,
      chosen: item.solid.tagged && item.pointed !== false ? this.chosen : 0,
    }));
    const began = performance.now();
    engine.draw(view, items);
    this.lastView = view;
    engine.owner = this;
    if (this.canvas.width !== view.width || this.canvas.height !== view.height) {
      this.canvas.width = view.width;
      this.canvas.height = view.height;
    }
    const from = engine.canvas;
    this.canvas.getContext("2d", { alpha: false })
      .drawImage(from, 0, from.height - view.height, view.width, view.height, 0, 0, view.width, view.height);
    if (this.turning) {
      engine.finish();
      const took = performance.now() - began;
      if (took > SLOW_MS) density = Math.max(COARSEST, density * Math.max(0.6, Math.sqrt(SLOW_MS / took)));
      else if (took < QUICK_MS) density = Math.min(1, density * 1.1);
      this.frames?.push(took);
    }
    if (!this.turning && !this.visible && this.tags.length && !this.always) this.look(engine);
    this.write(view);
  }

  tone(kind) {
    const all = tones();
    return [all.part, all.support, all.bed, all.part][kind];
  }

  /** Which numbers are seen, and where: the middle of the pixels of each. */
  look(engine) {
    const { bytes, across, down } = engine.read(0, 0, this.lastView.width, this.lastView.height);
    const sums = new Map(), step = 3, scale = this.lastView.width / across / this.lastView.sharp;
    const kinds = this.tagKind + 1;
    for (let y = 0; y < down; y += step) {
      for (let x = 0; x < across; x += step) {
        const k = 4 * (y * across + x);
        if (bytes[k + 3] !== kinds) continue;
        const id = bytes[k] | (bytes[k + 1] << 8) | (bytes[k + 2] << 16);
        if (!id) continue;
        const sum = sums.get(id) || { count: 0, x: 0, y: 0, spots: [] };
        sum.count++;
        sum.x += x;
        sum.y += y;
        if (sum.count % 7 === 1) sum.spots.push([x, y]);
        sums.set(id, sum);
      }
    }
    this.visible = new Map();
    for (const [id, { count, x, y, spots }] of sums) {
      if (count < 3) continue;
      // the middle may lie beside a ring or a crescent: the nearest pixel of its own is taken
      const cx = x / count, cy = y / count;
      const [px, py] = spots.reduce((a, b) => (Math.hypot(b[0] - cx, b[1] - cy) < Math.hypot(a[0] - cx, a[1] - cy) ? b : a));
      this.visible.set(id, this.unprojected((px + 0.5) * scale, (down - py - 0.5) * scale));
    }
    this.on.seen?.([...this.visible.keys()]);
  }

  /** Where a point (mm) is in the picture, in CSS pixels. */
  projected(point, view = this.lastView) {
    const away = point.map((v, k) => v - view.middle[k]);
    return [
      view.wide / 2 * (1 + view.fit[2]) + dot(view.axes[0], away) * view.scale,
      view.tall / 2 * (1 - view.fit[3]) - dot(view.axes[1], away) * view.scale,
    ];
  }

  /** A point (mm) in the plane through the middle that lies at these pixels: moves along when the view moves. */
  unprojected(x, y) {
    const v = this.lastView;
    const right = (x - (v.wide / 2) * (1 + v.fit[2])) / v.scale, up = ((v.tall / 2) * (1 - v.fit[3]) - y) / v.scale;
    return v.middle.map((m, k) => m + right * v.axes[0][k] + up * v.axes[1][k]);
  }

  write(view) {
    const drawn = [];
    if (!this.small) drawn.push(...this.scaleAndAxes(view));
    for (const { from, to, kind, word } of this.arrows) {
      drawn.push(...drawnArrow(this.projected(from, view), this.projected(to, view), kind, word));
    }
    for (const { z, box: [x0, y0, x1, y1] } of this.outlines) {
      const d = `M${[[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(([x, y]) => this.projected([x, y, z], view).map((v) => v.toFixed(1)).join(" ")).join("L")}z`;
      drawn.push(s("path", { class: "halo", d }), s("path", { class: "outline", d }));
    }
    if (this.cursor) drawn.push(s("circle", { class: "cursor", cx: this.cursor[0], cy: this.cursor[1], r: this.cursor[2] }));
    const anchors = [];
    this.tags.forEach((tag, rank) => {
      const spot = this.turning ? null : this.visible?.get(tag.number);
      if (this.visible && !this.turning && !spot) return; // not seen from here
      const [x, y] = this.projected(spot || tag.at, view);
      if (x > -20 && y > -20 && x < view.wide + 20 && y < view.tall + 20) anchors.push({ ...tag, x, y, rank });
    });
    const on = (one) => ({
      onpointerenter: () => this.on.hover?.(one), onpointerleave: () => this.on.hover?.(0), onclick: () => this.on.pick?.(one),
    });
    const tags = placeTags(anchors, view.wide, view.tall - 34);
    drawn.push(...drawnTags(tags, { hot: this.hot, chosen: this.chosen, on }));
    this.overlay.setAttribute("viewBox", `0 0 ${view.wide} ${view.tall}`); // on paper it shrinks with the picture
    morph(this.overlay, drawn);
  }

  scaleAndAxes(view) {
    const length = roundLength(90 / view.scale), foot = view.tall - 14, px = length * view.scale;
    const at = [view.wide - 34, view.tall - 26];
    const arrows = ["x", "y", "z"].flatMap((name, k) => {
      const [x, y] = [view.axes[0][k], -view.axes[1][k]];
      if (Math.hypot(x, y) < 0.2) return [];
      return [s("path", { class: "axis", d: `M${at[0]} ${at[1]}l${(18 * x).toFixed(1)} ${(18 * y).toFixed(1)}` }),
        s("text", { class: "small", "text-anchor": "middle", x: (at[0] + 26 * x).toFixed(1), y: (at[1] + 4 + 24 * y).toFixed(1) }, name)];
    });
    return [s("path", { class: "scale", d: `M14 ${foot - 5}v5h${px.toFixed(1)}v-5` }),
      s("text", { class: "small", x: (20 + px).toFixed(1), y: foot + 1 }, `${number(length, length >= 1 ? 0 : 2)} mm`), ...arrows];
  }

  /** What is under a place of the picture (CSS pixels): `{ kind, id }` or null. */
  at(x, y) {
    const engine = renderer();
    if (!engine || !this.lastView || x < 0 || y < 0 || x >= this.lastView.wide || y >= this.lastView.tall) return null;
    if (engine.owner !== this) this.draw();
    const { sharp } = this.lastView;
    const { bytes } = engine.read(Math.floor(x * sharp), Math.floor(y * sharp));
    if (!bytes[3]) return null;
    return { kind: bytes[3] - 1, id: bytes[0] | (bytes[1] << 8) | (bytes[2] << 16) };
  }

  /** Every id seen within `radius` of a place. */
  idsAround(x, y, radius) {
    const engine = renderer();
    if (!engine || !this.lastView) return [];
    if (engine.owner !== this) this.draw();
    const { sharp, width, height } = this.lastView;
    const x0 = Math.max(0, Math.floor((x - radius) * sharp)), y0 = Math.max(0, Math.floor((y - radius) * sharp));
    const x1 = Math.min(width, Math.ceil((x + radius) * sharp)), y1 = Math.min(height, Math.ceil((y + radius) * sharp));
    if (x1 <= x0 || y1 <= y0) return [];
    const { bytes, across, down } = engine.read(x0, y0, x1 - x0, y1 - y0);
    const found = new Set(), reach = (Math.min(across, down) / 2) ** 2;
    for (let k = 0; k < bytes.length; k += 4) {
      const px = (k / 4) % across, py = Math.floor(k / 4 / across);
      if (bytes[k + 3] !== 1 || (px - across / 2) ** 2 + (py - down / 2) ** 2 > reach) continue;
      found.add(bytes[k] | (bytes[k + 1] << 8) | (bytes[k + 2] << 16));
    }
    return [...found];
  }

  /** Mark one number as pointed at, or as chosen. */
  point(hot) {
    if (this.hot === hot) return;
    this.hot = hot;
    this.redraw();
  }

  goTo(key) {
    const goal = { grown: 1, right: 0, up: 0, turn: LOOKS[key].turn, rise: LOOKS[key].rise };
    const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    cancelAnimationFrame(this.going);
    if (still) {
      Object.assign(this.eye, goal);
      this.moved();
      return;
    }
    const from = { ...this.eye }, began = performance.now();
    const turn = ((((goal.turn - from.turn) % 360) + 540) % 360) - 180;
    const step = (now) => {
      const part = Math.min(1, (now - began) / 280), eased = part * part * (3 - 2 * part);
      for (const k of Object.keys(goal)) this.eye[k] = from[k] + eased * ((k === "turn" ? from.turn + turn : goal[k]) - from[k]);
      this.moved();
      if (part < 1) this.going = requestAnimationFrame(step);
    };
    this.going = requestAnimationFrame(step);
  }

  /** Look at a point (mm) from near and steeply, so that `across` mm fill half of the picture. */
  closeTo(point, across) {
    const { eye } = this;
    Object.assign(eye, { rise: 55, grown: 1, right: 0, up: 0 });
    eye.grown = Math.max(1, Math.min(20, (0.5 * Math.min(this.stage.clientWidth, this.stage.clientHeight)) / (across * this.view.scale)));
    const { axes, scale, middle, wide, tall, fit } = this.view, away = point.map((v, k) => v - middle[k]);
    Object.assign(eye, { right: (-2 * scale * dot(axes[0], away)) / wide, up: (-2 * scale * dot(axes[1], away)) / tall - fit[3] });
    this.moved();
  }

  /** The eye as text for an address, and back. */
  get eyeText() {
    const { turn, rise, grown, right, up } = this.eye;
    return [turn, rise].map((v) => Math.round(v)).concat([grown, right, up].map((v) => Number(v.toFixed(2)))).join(",");
  }

  set eyeText(text) {
    const [turn, rise, grown, right, up] = (text || "").split(",").map(Number);
    if (![turn, rise, grown, right, up].every(Number.isFinite)) return;
    Object.assign(this.eye, { turn, rise: Math.max(-90, Math.min(90, rise)), grown: Math.max(0.4, Math.min(20, grown)), right, up });
    this.toldEye = this.eyeText;
    this.visible = null;
    this.redraw();
  }

  say(...caption) {
    morph(this.caption, ...caption);
  }

  close() {
    if (this.whole) this.fill(false);
    plates.delete(this);
    seenOnScreen.unobserve(this.stage);
  }
}

