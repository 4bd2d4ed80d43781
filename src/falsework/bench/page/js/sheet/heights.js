// By height: area over air in every layer, and the droop of each underside with its interval.

import { css, droopTone, scalePosition, TICKS_MM } from "../colour.js";
import { h, s } from "../dom.js";
import { number } from "../words.js";
import { steps } from "./pareto.js";

const TOP = 26, BOTTOM = 236, BARS = [64, 300], DROOP = [372, 700], BANDS = 90, MOST_MARKS = 60;

/** `on.pick(number)`, `on.hover(number)`; `chosen` number. */
export function heights(inspection, { chosen, on }) {
  const { z_mm: z, need_mm2: need } = inspection.layers;
  const top = Math.max(z.at(-1), 1e-6), y = (v) => BOTTOM - ((BOTTOM - TOP) * v) / top;
  const most = Math.max(...need, 1e-9), droopX = (v) => DROOP[0] + (DROOP[1] - DROOP[0]) * scalePosition(v);
  const bars = [], bands = Math.min(BANDS, need.length);
  for (let k = 0; k < bands; k++) {
    const first = Math.round((k * need.length) / bands), end = Math.round(((k + 1) * need.length) / bands);
    let value = 0;
    for (let i = first; i < end; i++) value = Math.max(value, need[i]);
    if (value > 0) bars.push(s("rect", { class: "need-bar", x: BARS[0], y: y(z[end]).toFixed(1), height: Math.max(0.6, y(z[first]) - y(z[end])).toFixed(1), width: Math.max(1, ((BARS[1] - BARS[0]) * value) / most).toFixed(1) }));
  }
  const placed = [];
  const marks = inspection.undersides.slice(0, MOST_MARKS).map((u) => {
    const x = droopX(u.droop_mm.value), at = y(u.height_mm);
    const clear = placed.every(([px, py]) => Math.abs(at - py) > 13 || Math.abs(x - px) > 22);
    if (clear) placed.push([x, at]);
    return s("g", {
      class: u.number === chosen ? "height-mark chosen" : "height-mark", "data-underside": u.number,
      onpointerenter: () => on.hover(u.number), onpointerleave: () => on.hover(0), onclick: () => on.pick(u.number),
    },
    s("path", { class: "whisker", d: `M${droopX(u.droop_mm.low).toFixed(1)} ${at.toFixed(1)}H${droopX(u.droop_mm.high).toFixed(1)}` }),
    s("circle", { class: "mark-dot", cx: x.toFixed(1), cy: at.toFixed(1), r: 4.5, fill: css(droopTone(u.droop_mm.value)) }),
    clear && s("text", { class: "label", x: x + 8, y: at - 5 }, u.number));
  });
  const digits = top >= 8 ? 0 : 1;
  const drawing = s("svg", { class: "chart", viewBox: "0 0 730 262", role: "img", "aria-label": "By height: area printed over air in each layer, and predicted sag of each underside with its 90 % interval. The same figures stand in the table of undersides." },
    steps(0, top, 6).map((v) => [s("path", { class: "grid", d: `M64 ${y(v)}H700` }), s("text", { x: 56, y: y(v) + 4, "text-anchor": "end" }, number(v, digits))]),
    s("text", { class: "head", x: BARS[0], y: 14 }, "area over air, mm² a layer"),
    s("text", { class: "head", x: DROOP[0], y: 14 }, "sag without support, mm"),
    s("text", { x: 56, y: BOTTOM + 19, "text-anchor": "end" }, "z, mm"),
    bars,
    s("path", { class: "axisline", d: `M${BARS[0]} ${TOP}V${BOTTOM}M${DROOP[0]} ${TOP}V${BOTTOM}M64 ${BOTTOM}H700` }),
    steps(0, most, 4).map((v) => s("text", { x: BARS[0] + ((BARS[1] - BARS[0]) * v) / most, y: BOTTOM + 19, "text-anchor": "middle" }, number(v, most >= 4 ? 0 : 2))),
    TICKS_MM.map((t) => s("text", { x: droopX(t), y: BOTTOM + 19, "text-anchor": "middle" }, String(t))),
    marks);
  return h("div", { class: "scroll", role: "region", "aria-label": "Figures by height", tabindex: 0 }, drawing);
}
