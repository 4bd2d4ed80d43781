// What is seen around a finding of the audit, as the written report draws it: from above, and cut through.

import { h, s } from "../dom.js";
import { number } from "../words.js";

const tone = (role) => `tone-${role.replace(" ", "-")}`;
const fixed = (v) => v.toFixed(1);

/** The strands from above: those beneath pale, supports brick, what the finding is about dark with a light core. */
function above(p, says) {
  const [x, y, wide, tall] = p.box;
  return s("svg", { viewBox: `0 0 ${p.side} ${p.height}`, role: "img", "aria-label": `Strands from above. ${says}` },
    s("svg", { width: p.side, height: p.side, viewBox: `0 0 ${p.side} ${p.side}` },
      s("rect", { class: "ground", width: p.side, height: p.side }),
      p.paths.map(([role, width, d]) => s("path", { class: `strand ${tone(role)}`, "stroke-width": width, d })),
      p.core && s("path", { class: "strand core", "stroke-width": p.core_width, d: p.core }),
      s("rect", { class: "looked-at", x: fixed(x), y: fixed(y), width: fixed(wide), height: fixed(tall) }),
      s("circle", { class: "dot", cx: fixed(p.point[0]), cy: fixed(p.point[1]), r: 5 })),
    s("path", { class: "scale", d: `M12 ${p.side + 12}v6h${fixed(p.scale_units)}v-6` }),
    s("text", { x: fixed(20 + p.scale_units), y: p.side + 21 }, `${p.scale_mm} mm`),
    s("path", { class: "axis", d: `M${p.side - 60} ${p.side + 18}h22m-22 0v-14` }),
    s("text", { x: p.side - 33, y: p.side + 23 }, "x"), s("text", { x: p.side - 74, y: p.side + 14 }, "y"));
}

/** The cut through the place; heights are drawn larger than lengths. */
function cut(p) {
  return s("svg", { viewBox: `0 -6 ${p.side} ${fixed(p.cut_height + 6)}`, role: "img", "aria-label": `Cut along ${p.axis} at ${p.across}` },
    s("rect", { class: "ground", y: -6, width: p.side, height: fixed(p.cut_height + 6) }),
    p.cuts.map(([role, d]) => s("path", { class: `bead ${tone(role)}`, d })),
    p.heights.map(([y, z]) => [s("path", { class: "axis", d: `M0 ${fixed(y)}h5` }), s("text", { class: "tick", x: 8, y: fixed(y + 4) }, z)]));
}

/** Both pictures of a finding from the facts beside its strands. */
export function pictures(p, says) {
  const corner = `lower left corner at x\u00a0${number(p.low[0], 1)}, y\u00a0${number(p.low[1], 1)}\u00a0mm`;
  return h("div", { class: "around" },
    h("figure", {}, above(p, says), h("figcaption", {}, `From above; ${corner}. Dark with a light core: what this is about; brick: support; pale: beneath.`)),
    p.cuts.length ? h("figure", {}, cut(p), h("figcaption", {}, `Cut along ${p.axis} at ${p.across}; heights in mm, drawn larger than lengths.`)) : null);
}
