// One layer from above: the part's section, what of it lies over air, and the strands of support beneath it.

import { h } from "../dom.js";
import { css, inkOn, onLight, tones } from "../colour.js";
import * as words from "../words.js";

const ROLE = ["line", "tie", "closed line", "cap", "sole", "foot"];

/** Rings `first…end` of flat points as one path. */
function path(points, ringStart, first, end, to) {
  const out = new Path2D();
  for (let ring = first; ring < end; ring++) {
    for (let i = ringStart[ring]; i < ringStart[ring + 1]; i++) {
      const [x, y] = to(points[2 * i], points[2 * i + 1]);
      if (i === ringStart[ring]) out.moveTo(x, y);
      else out.lineTo(x, y);
    }
    out.closePath();
  }
  return out;
}

/** Numbers over air in a layer, and the pieces of support in it, from the buffers. */
export function carried(layer, need, supports) {
  const over = new Set();
  if (need) for (let r = need.arrays.air_layer_rings[layer]; r < need.arrays.air_layer_rings[layer + 1]; r++) over.add(need.arrays.air_underside[r]);
  const pieces = new Map();
  if (supports) {
    const { layer_start: start, role, piece } = supports.arrays;
    for (let i = start[layer]; i < start[layer + 1]; i++) pieces.set(piece[i], (pieces.get(piece[i]) || new Set()).add(role[i]));
  }
  return { over: [...over].sort((a, b) => a - b), pieces };
}

/** The same in words. */
export function carriedWords(layer, need, supports) {
  const { over, pieces } = carried(layer, need, supports);
  const of = supports?.meta.undersides_of || {};
  const said = [];
  said.push(over.length ? `Over air: number ${words.listed(over.map(String))}.` : "Nothing is printed over air in this layer.");
  for (const [piece, roles] of [...pieces].slice(0, 6)) {
    const carries = (of[piece] || []).map(String);
    said.push(`Piece ${piece} stands here (${words.listed([...roles].sort().map((r) => ROLE[r]))})${carries.length ? `, for number ${words.listed(carries)}` : ""}.`);
  }
  if (pieces.size > 6) said.push(`${pieces.size - 6} more pieces stand here.`);
  return said.join(" ");
}

export class LayerDrawing {
  constructor() {
    this.canvas = h("canvas", { class: "layer-canvas", role: "img", "aria-label": "The layer from above" });
    this.caption = h("figcaption", {});
    this.element = h("figure", { class: "plate layer-plate" }, h("div", { class: "stage flat" }, this.canvas), this.caption);
    new ResizeObserver(() => this.draw()).observe(this.canvas);
    onLight(() => this.draw());
  }

  set(layer, need, supports, bounds) {
    Object.assign(this, { layer, need, supports, bounds });
    this.draw();
  }

  draw() {
    if (!this.need || !this.bounds || this.layer === undefined) return;
    const sharp = Math.min(window.devicePixelRatio || 1, 2), { clientWidth: wide, clientHeight: tall } = this.canvas;
    if (!wide) return;
    this.canvas.width = Math.round(wide * sharp);
    this.canvas.height = Math.round(tall * sharp);
    const ctx = this.canvas.getContext("2d"), [low, high] = this.bounds, t = tones();
    const scale = Math.min((wide - 24) / Math.max(high[0] - low[0], 1e-6), (tall - 24) / Math.max(high[1] - low[1], 1e-6));
    const to = (x, y) => [wide / 2 + (x - (low[0] + high[0]) / 2) * scale, tall / 2 - (y - (low[1] + high[1]) / 2) * scale];
    ctx.setTransform(sharp, 0, 0, sharp, 0, 0);
    ctx.fillStyle = css(t.paper);
    ctx.fillRect(0, 0, wide, tall);
    const { points, ring_start: rings, layer_rings: layers, air_points: air, air_ring_start: airRings, air_layer_rings: airLayers } = this.need.arrays;
    const k = Math.min(this.layer, layers.length - 2);
    const ink = css(t.ink);
    // what is beneath it, faint; then the layer itself
    if (k > 0) {
      ctx.fillStyle = css(t.bed);
      ctx.fill(path(points, rings, layers[k - 1], layers[k], to), "evenodd");
    }
    const section = path(points, rings, layers[k], layers[k + 1], to);
    ctx.fillStyle = css(t.part);
    ctx.fill(section, "evenodd");
    this.strands(ctx, k, scale, to, t);
    const open = path(air, airRings, airLayers[k], airLayers[k + 1], to);
    ctx.save();
    ctx.clip(open, "evenodd");
    ctx.fillStyle = css(t.part);
    ctx.fill(open, "evenodd");
    ctx.strokeStyle = ink;
    ctx.lineWidth = 1.3;
    ctx.beginPath();
    for (let d = -tall; d < wide + tall; d += 7) {
      ctx.moveTo(d, 0);
      ctx.lineTo(d + tall, tall);
    }
    ctx.stroke();
    ctx.restore();
    ctx.strokeStyle = css(inkOn(t.paper));
    ctx.lineWidth = 1;
    ctx.stroke(section);
    ctx.strokeStyle = t.paper[0] < 0.5 ? "#fff" : ink;
    ctx.lineWidth = 1.4;
    ctx.stroke(open);
  }

  strands(ctx, k, scale, to, t) {
    if (!this.supports) return;
    const { ends, layer_start: start, role } = this.supports.arrays;
    if (k + 1 >= start.length) return;
    ctx.lineCap = "round";
    for (const [dense, alpha] of [[false, 0.75], [true, 1]]) {
      ctx.beginPath();
      for (let i = start[k]; i < start[k + 1]; i++) {
        if ((role[i] === 3 || role[i] === 4) !== dense) continue;
        ctx.moveTo(...to(ends[4 * i], ends[4 * i + 1]));
        ctx.lineTo(...to(ends[4 * i + 2], ends[4 * i + 3]));
      }
      ctx.globalAlpha = alpha;
      ctx.strokeStyle = css(t.support);
      ctx.lineWidth = Math.max(1.2, this.supports.meta.width_mm * scale * 0.8);
      ctx.stroke();
      ctx.globalAlpha = 1;
    }
  }
}
