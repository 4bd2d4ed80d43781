// Numbered tags in the margins of a figure, joined by leader lines to what they name; plus arrows and a scale.

import { s } from "../dom.js";

const SPACING = 27, MARGIN = 21, HALF = 15;

/** Anchors `{ number, x, y, rank, … }` as tags left and right, none over another, leaders uncrossed. */
export function placeTags(anchors, width, height, top = 6) {
  const room = Math.max(1, Math.floor((height - top) / SPACING));
  const kept = [...anchors].sort((a, b) => a.rank - b.rank || a.number - b.number).slice(0, 2 * room);
  kept.sort((a, b) => a.x - b.x || a.number - b.number);
  let middle = kept.filter((a) => a.x < width / 2).length;
  middle = Math.min(Math.max(middle, kept.length - room), room);
  const sides = [[kept.slice(0, middle), MARGIN], [kept.slice(middle), width - MARGIN]];
  return sides.flatMap(([side, x]) =>
    uncrossed(spread([...side].sort((a, b) => a.y - b.y || a.x - b.x), top + SPACING / 2, height - SPACING / 2)
      .map(([anchor, y]) => ({ ...anchor, anchorX: anchor.x, anchorY: anchor.y, x, y }))));
}

function spread(side, low, high) {
  const heights = [];
  for (const a of side) heights.push(Math.max(a.y, low, heights.length ? heights.at(-1) + SPACING : low));
  let ceiling = high;
  for (let k = heights.length - 1; k >= 0; k--) {
    heights[k] = Math.min(heights[k], ceiling);
    ceiling = heights[k] - SPACING;
  }
  return side.map((a, k) => [a, heights[k]]);
}

function crosses(a, b) {
  const side = (x, y, t) => (t.anchorX - t.x) * (y - t.y) - (t.anchorY - t.y) * (x - t.x);
  return side(b.x, b.y, a) * side(b.anchorX, b.anchorY, a) < 0 && side(a.x, a.y, b) * side(a.anchorX, a.anchorY, b) < 0;
}

/** Swap the heights of tags whose leaders cross: each swap shortens the leaders, so this ends. */
function uncrossed(tags) {
  for (let turns = tags.length ** 2; turns > 0; turns--) {
    let pair = null;
    for (let i = 0; i < tags.length && !pair; i++) {
      for (let j = i + 1; j < tags.length && !pair; j++) if (crosses(tags[i], tags[j])) pair = [tags[i], tags[j]];
    }
    if (!pair) break;
    [pair[0].y, pair[1].y] = [pair[1].y, pair[0].y];
  }
  return tags;
}

function outline(shape, x, y) {
  const w = HALF;
  if (shape === "bridge") return s("rect", { x: x - w, y: y - 11, width: 2 * w, height: 22 });
  if (shape === "cantilever") {
    return s("path", { d: `M${x - w} ${y - 11}H${x + w - 7}L${x + w + 3} ${y}L${x + w - 7} ${y + 11}H${x - w}z` });
  }
  if (shape === "island") {
    return s("path", { d: `M${x - w - 4} ${y}L${x - w + 5} ${y - 11.5}H${x + w - 5}L${x + w + 4} ${y}L${x + w - 5} ${y + 11.5}H${x - w + 5}z` });
  }
  return s("ellipse", { cx: x, cy: y, rx: w + 1, ry: 11 });
}

/** The tags as drawing; `on` gives handlers by number. */
export function drawnTags(tags, { hot, chosen, on }) {
  const round = (v) => Math.round(10 * v) / 10;
  const leaders = tags.map((t) => {
    const d = `M${round(t.x)} ${round(t.y)}L${round(t.anchorX)} ${round(t.anchorY)}`;
    const strong = t.number === hot || t.number === chosen;
    return s("g", { class: strong ? "strong" : null }, s("path", { class: "halo", d }), s("path", { class: "leader", d }),
      s("circle", { class: "dot", cx: round(t.anchorX), cy: round(t.anchorY), r: 3 }));
  });
  const heads = tags.map((t) =>
    s("g", { class: `tag${t.number === hot ? " hot" : ""}${t.number === chosen ? " chosen" : ""}`, ...on(t.number) },
      outline(t.shape, round(t.x), round(t.y)), s("text", { x: round(t.x), y: round(t.y) + 4.5 }, t.number)));
  return [...leaders, ...heads];
}

/** An arrow from `a` to `b` (pixels); nothing where it points at the viewer. */
export function drawnArrow(a, b, kind = "pull", word = "") {
  const dx = b[0] - a[0], dy = b[1] - a[1], length = Math.hypot(dx, dy);
  if (length < 14) return [];
  const ux = (dx / length) * 9, uy = (dy / length) * 9, [x, y] = b;
  const f = (v) => v.toFixed(1);
  const shaft = `M${f(a[0])} ${f(a[1])}L${f(x)} ${f(y)}`;
  const head = `M${f(x - ux - 0.5 * uy)} ${f(y - uy + 0.5 * ux)}L${f(x)} ${f(y)}L${f(x - ux + 0.5 * uy)} ${f(y - uy - 0.5 * ux)}`;
  return [
    s("path", { class: "arrow-halo", d: shaft + head }), s("path", { class: `arrow ${kind}`, d: shaft }),
    s("path", { class: `arrow ${kind} head`, d: head }),
    word && s("text", { class: "small", x: f(x + ux), y: f(y + uy + 4), "text-anchor": "middle" }, word),
  ].filter(Boolean);
}

/** A round length near `most`, for the scale bar. */
export function roundLength(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return [5, 2, 1].map((k) => k * power).find((v) => v <= most) ?? power;
}
