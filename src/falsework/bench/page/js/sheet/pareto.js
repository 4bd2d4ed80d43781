// What it costs to print against what it costs in finish: every lie a numbered point that can be chosen.

import { h, s } from "../dom.js";
import { PRICE_UNIT } from "../words.js";

const LEFT = 64, RIGHT = 700, TOP = 24, BOTTOM = 230;

/** Round steps from `low` to `high`, roughly `about` of them. */
export function steps(low, high, about) {
  const raw = Math.max(high - low, 1e-9) / about, power = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map((k) => k * power).find((v) => v >= raw * (1 - 1e-9));
  const out = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) out.push(Number((k * step).toPrecision(10)));
  return out;
}

function range(values) {
  const low = Math.min(...values), high = Math.max(...values);
  const margin = Math.max(0.08 * (high - low), 0.02 * high, 0.005);
  return [Math.max(0, low - margin), high + margin];
}

const SPOT = 15, LETTER = 7.2, HALF = 8; // half a spot, the width of a letter, half a word's height
const OFFSETS = [19, 31].flatMap((across) => Array.from({ length: 31 }, (_, k) => 16 * (k - 15)).flatMap((up) => [[across, up], [-across, up]]))
  .map(([across, up]) => ({ across, up, far: Math.abs(up) + 2 * Math.abs(across) + (up < 0 ? 0.2 : 0) + (across < 0 ? 0.1 : 0) }))
  .sort((a, b) => a.far - b.far);

/** A place for each point's words: within the frame, over no point and no other words, as near as can be. */
function withLabels(points) {
  const boxes = points.map(({ px, py }) => [px - SPOT, py - SPOT, px + SPOT, py + SPOT]);
  const over = (a) => boxes.some((b) => a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3]);
  const text = ({ number, word }) => `${number} ${word}`.trim();
  const out = new Map();
  for (const point of [...points].sort((a, b) => text(b).length - text(a).length)) {
    const { px, py } = point, width = LETTER * text(point).length;
    const boxAt = ({ across, up }) => {
      const start = px + (across > 0 ? across : across - width);
      return [start, py - up - HALF, start + width, py - up + HALF];
    };
    const inside = ([x0, y0, x1, y1]) => x0 >= LEFT && x1 <= RIGHT && y0 >= TOP && y1 <= BOTTOM;
    const { across, up } = OFFSETS.find((offset) => inside(boxAt(offset)) && !over(boxAt(offset))) || OFFSETS[0];
    boxes.push(boxAt({ across, up }));
    out.set(point, { ...point, labelX: px + across, labelY: py - up, anchor: across > 0 ? "start" : "end" });
  }
  return points.map((point) => out.get(point));
}

/**
 * `ways`: [{ number, printing, finish, shape: recommended|today|other, word }]; `chosen` number; `on.pick(number)`,
 * `on.hover(number)`.
 */
export function pareto(ways, { chosen, withShow, on }) {
  const [low, high] = range(ways.map((way) => way.printing));
  const most = Math.max(0.01, ...ways.map((way) => way.finish)) * 1.08;
  const x = (v) => LEFT + ((RIGHT - LEFT) * (v - low)) / (high - low);
  const y = (v) => BOTTOM - ((BOTTOM - TOP) * v) / most;
  const digits = (span) => (span < 5 ? 2 : 1);
  const placed = withLabels(ways.map((way) => ({ ...way, px: x(way.printing), py: y(way.finish) })));
  const spot = ({ shape, px, py }) => {
    if (shape === "today") return s("path", { class: "spot today", d: `M${px} ${py - 10}l10 10-10 10-10-10z` });
    if (shape === "recommended") return s("rect", { class: "spot recommended", x: px - 8, y: py - 8, width: 16, height: 16 });
    return s("circle", { class: "spot", cx: px, cy: py, r: 7 });
  };
  const drawing = s("svg", { class: "chart front", viewBox: "0 0 730 286", role: "group", "aria-label": "Price of finish against price of printing" },
    steps(0, most, 4).map((v) => [s("path", { class: "grid", d: `M${LEFT} ${y(v)}H${RIGHT}` }),
      s("text", { x: LEFT - 8, y: y(v) + 4, "text-anchor": "end" }, v.toFixed(digits(most)))]),
    steps(low, high, 6).map((v) => [s("path", { class: "axisline", d: `M${x(v)} ${BOTTOM}v5` }),
      s("text", { x: x(v), y: BOTTOM + 20, "text-anchor": "middle" }, v.toFixed(digits(high - low)))]),
    s("path", { class: "axisline", d: `M${LEFT} ${TOP}V${BOTTOM}H${RIGHT}` }),
    s("text", { class: "head", x: LEFT, y: 14 }, `marks of supports${withShow ? ", on show faces too" : ""}, ${PRICE_UNIT}`),
    s("text", { class: "head", x: RIGHT, y: BOTTOM + 40, "text-anchor": "end" }, `filament and machine time, ${PRICE_UNIT}`),
    placed.filter((p) => p.labelY !== p.py).map((p) => s("path", { class: "leader-line", d: `M${p.px} ${p.py}L${p.labelX} ${p.labelY}` })),
    placed.map((p) => s("a", {
      class: p.number === chosen ? "point chosen" : "point", "data-way": p.number, "data-key": `point-${p.number}`, tabindex: 0, role: "button",
      "aria-pressed": p.number === chosen ? "true" : "false",
      "aria-label": `Position ${p.number}${p.word ? `, ${p.word}` : ""}: printing ${p.printing.toFixed(2)}, finish ${p.finish.toFixed(2)}`,
      onclick: () => on.pick(p.number),
      onkeydown: (event) => {
        if (event.key !== "Enter" && event.key !== " ") return;
        event.preventDefault();
        on.pick(p.number);
      },
      onpointerenter: () => on.hover(p.number), onpointerleave: () => on.hover(0),
    },
    s("circle", { class: "reach", cx: p.px, cy: p.py, r: 15 }), spot(p),
    s("text", { class: "label", x: p.labelX, y: p.labelY + 4, "text-anchor": p.anchor }, `${p.number}${p.word ? ` ${p.word}` : ""}`))));
  return h("div", { class: "scroll", role: "region", "aria-label": "Price of finish against price of printing, drawn", tabindex: 0 }, drawing);
}
