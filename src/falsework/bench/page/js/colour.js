// Tones of the drawings: those of the written work order on light paper, and their partners for dark rooms.

import { s } from "./dom.js";

export const LEAST_MM = 0.05, MOST_MM = 5;
export const TICKS_MM = [0.05, 0.1, 0.2, 0.5, 1, 2, 5];
export const HATCH_OF_KIND = { holds: 0, bridge: 1, cantilever: 2, island: 3 };

const dark = window.matchMedia("(prefers-color-scheme: dark)");

const LIGHT_TONES = {
  paper: [0.973, 0.965, 0.937], part: [0.86, 0.85, 0.82], support: [0.8, 0.46, 0.36], bed: [0.9, 0.89, 0.84],
  ink: [0.13, 0.13, 0.13], show: [0.16, 0.42, 0.47], avoid: [0.55, 0.16, 0.13],
};
const DARK_TONES = {
  paper: [0.115, 0.133, 0.141], part: [0.69, 0.69, 0.67], support: [0.84, 0.51, 0.41], bed: [0.2, 0.22, 0.23],
  ink: [0.03, 0.035, 0.04], show: [0.1, 0.37, 0.42], avoid: [0.5, 0.12, 0.1],
};

/** Tones of the drawings for the room's light. */
export const tones = () => (dark.matches ? DARK_TONES : LIGHT_TONES);

/** Call `again` whenever the room turns dark or light. */
export const onLight = (again) => dark.addEventListener("change", again);

/** `[r, g, b]` 0..1 of `#rrggbb`. */
export const rgb = (css) => [1, 3, 5].map((k) => parseInt(css.slice(k, k + 2), 16) / 255);

/** Ink that shows on `tone`: lighter on dark colours, darker on light ones. */
export function inkOn(tone) {
  const light = 0.2126 * tone[0] + 0.7152 * tone[1] + 0.0722 * tone[2];
  return tone.map((v) => (light < 0.45 ? v * 0.5 + 0.5 : v * 0.6));
}

/** Where a droop lies on the scale, 0 (least) to 1 (most), by its logarithm. */
export function scalePosition(droopMm) {
  if (!(droopMm > LEAST_MM)) return 0;
  return Math.min(1, Math.log(droopMm / LEAST_MM) / Math.log(MOST_MM / LEAST_MM));
}

/** The small drawing that stands for a kind of underside in tables and legends. */
export function kindMark(kind) {
  const shape = {
    holds: s("ellipse", { cx: 11, cy: 8, rx: 9, ry: 6.5 }),
    bridge: s("path", { d: "M2 2.5H20V13.5H16V7H6V13.5H2z" }),
    cantilever: s("path", { d: "M2 1.5H7V5H20V10H7V14.5H2z" }),
    island: s("path", { d: "M11 1 20 8 11 15 2 8z" }),
  }[kind];
  return s("svg", { class: "mark", viewBox: "0 0 22 16", "aria-hidden": "true" }, shape);
}

/** The hatching that stands for a kind in the figure: plain, upright, diagonal, crossed. */
export function hatchSample(code) {
  const lines = ["", "M4 0V18M10 0V18M16 0V18M22 0V18", "M0 8 8 0M0 18 18 0M10 18 28 0M20 18 28 10",
    "M0 8 8 0M0 18 18 0M10 18 28 0M20 18 28 10M0 10 8 18M0 0 18 18M10 0 28 18M20 0 28 8"][code];
  return s("svg", { class: "hatch", viewBox: "0 0 28 18", "aria-hidden": "true" },
    s("rect", { x: 0.5, y: 0.5, width: 27, height: 17 }), lines && s("path", { d: lines }));
}

/** A patch of one colour beside a figure. */
export const swatch = (fill) =>
  s("svg", { class: "swatch", viewBox: "0 0 10 10", "aria-hidden": "true" }, s("rect", { width: 10, height: 10, fill }));

// Cividis at 17 even steps, sRGB 0..255: Nuñez, Anderton, Renslow 2018, PLoS ONE 13(7): e0199239,
// doi 10.1371/journal.pone.0199239. Values from memory; the same table colours the written work order.
const CIVIDIS = [[0, 34, 78], [0, 43, 97], [8, 51, 112], [38, 61, 109], [56, 70, 108], [70, 80, 108], [83, 89, 109],
  [95, 99, 112], [107, 109, 117], [119, 119, 120], [132, 130, 120], [146, 141, 117], [161, 153, 112], [177, 166, 103],
  [194, 179, 91], [213, 193, 73], [254, 232, 56]];

/** Colour of a droop, 0..1 each: the darker, the more it sags. */
export function droopTone(droopMm) {
  const at = (1 - scalePosition(droopMm)) * (CIVIDIS.length - 1), low = Math.min(CIVIDIS.length - 2, Math.floor(at));
  return CIVIDIS[low].map((v, k) => (v + (at - low) * (CIVIDIS[low + 1][k] - v)) / 255);
}

/** `#rrggbb` of a colour 0..1. */
export const css = (tone) => `#${tone.map((v) => Math.floor(255 * v + 0.5).toString(16).padStart(2, "0")).join("")}`;
