// What the part would cost whichever of its sides is up: two discs of cells, as the worker drew them.

import { h, s } from "../dom.js";
import { scroll } from "./parts.js";

const number = ({ number: n, x, y, shape }) => s("g", { class: `number ${shape}` },
  shape === "today" ? s("path", { class: "spot blank", d: `M${x} ${y - 12}l12 12-12 12-12-12z` })
    : shape === "recommended" ? s("rect", { class: "spot recommended", x: x - 9, y: y - 9, width: 18, height: 18 })
      : s("circle", { class: "spot blank", cx: x, cy: y, r: 9 }),
  s("text", { x, y: y + 4, "text-anchor": "middle" }, String(n)));

/** The drawing of `sphere.json`, with what it says in words. */
export function sphere({ cells, numbers, ticks, said, heads, how_to_read: reading, middles, middle_y: y, radius }) {
  const discs = (attributes) => middles.map((x) => s("circle", { ...attributes, cx: x, cy: y, r: radius }));
  return [
    h("h3", {}, "What it costs whichever side is up"),
    scroll("Prices of every side", s("svg", { class: "chart sphere", viewBox: "0 0 720 400", role: "img", "aria-label": `${said} Light is cheap. The positions of the table are numbered.` },
      heads.map((words, k) => s("text", { class: "head", x: middles[k], y: 20, "text-anchor": "middle" }, words)),
      s("clipPath", { id: "discs" }, discs({})),
      s("g", { "clip-path": "url(#discs)" },
        cells.map((cell) => s("path", { class: "cell", d: cell.outline, fill: cell.fill, stroke: cell.fill }, s("title", {}, cell.said))),
        cells.filter((cell) => cell.mark).map((cell) => s("path", { class: "mark", d: cell.mark, stroke: cell.ink }))),
      discs({ class: "rim" }),
      numbers.map(number),
      ticks.map(([fill, price], k) => [s("rect", { class: "tick", x: 60 + 125 * k, y: 366, width: 22, height: 14, fill }),
        s("text", { x: 88 + 125 * k, y: 378 }, price)]))),
    h("p", { class: "sub" }, said, " ", reading),
  ];
}
