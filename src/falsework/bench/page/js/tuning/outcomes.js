// What may be read off a print, in words; and what was tried, in words.

import { number, withUnit } from "../words.js";

export const LET_GO = {
  fused: "not without damage to the part",
  scraped: "in bits, with a blade or a scraper",
  tool: "in one go, with pliers",
  hand: "in one go, by hand",
  touch: "by itself, at the first touch",
  fell: "before the print was done",
};
// stands in readings from before the last two were told apart
export const EARLY = { early: "by itself, before the print was done or at the first touch" };
export const FINISH = {
  1: "loops hang down; it is open or torn",
  2: "strands have sagged apart; there are gaps between them",
  3: "closed, with visible sag",
  4: "closed and even; the strands can be felt with a fingernail",
  5: "as an upright wall of the same print",
};
export const PIECES = {
  "overhang-fan": "overhang fan: how steep an underside may be",
  "bridge-ladder": "bridge ladder: how far a strand may span",
  "gap-interface": "gaps and interfaces: how supports let go",
  "weave-comb": "weave comb: strands parallel or crossed, spacing, perimeter",
  confirmation: "confirmation: what is recommended, tried together",
};

/** A condition in a few words: what differs from cell to cell. */
export function conditionWords(c) {
  if (c.kind === "overhang") return `${withUnit(c.angle_deg, "°", 1)} from the vertical, fan ${Math.round(100 * c.fan)} %`;
  if (c.kind === "bridge") return `${withUnit(c.span_mm, "mm")} span, fan ${Math.round(100 * c.fan)} %`;
  const layers = Math.round((10 * c.air_gap_mm) / c.layer_height_mm) / 10;
  const lines = [`air gap ${withUnit(c.air_gap_mm, "mm", 2)} (${number(layers, layers % 1 ? 1 : 0)} ${layers === 1 ? "layer" : "layers"})`, `${c.interface_layers} interface ${c.interface_layers === 1 ? "layer" : "layers"}`,
    `strands ${c.weave}, ${withUnit(c.spacing_mm, "mm")} apart`];
  if (c.perimeter_lines) lines.push(`${c.perimeter_lines} around it`);
  return lines.join(", ");
}

/** What a reading says, in a few words. */
export function outcomeWords(r) {
  const said = [];
  if (r.let_go) said.push(`let go: ${r.let_go}`);
  if (r.finish) said.push(`finish ${r.finish}`);
  if (r.droop_mm !== null && r.droop_mm !== undefined) said.push(`sag ${withUnit(r.droop_mm, "mm", 2)}`);
  if (r.clean_up_min !== null && r.clean_up_min !== undefined) said.push(`cleaned in ${withUnit(r.clean_up_min, "min", 0)}`);
  return said.join("; ") || "nothing seen";
}
