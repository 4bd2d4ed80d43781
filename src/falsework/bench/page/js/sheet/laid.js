// The figure of the audit: the part where the program lays it, the findings numbered at their places, and around
// the one that is looked at the strands of its layer.

import { inkOn, tones } from "../colour.js";
import { around, turnMatrix } from "../figure/eye.js";
import { Plate } from "../figure/plate.js";
import { bed, dispose, looksTexture, strands, turnedBounds } from "../figure/solids.js";
import * as words from "../words.js";

const MOST_TAGS = 24;
const LEAST_ACROSS_MM = 6, MOST_ACROSS_MM = 60; // of what is looked at from near
/** Outline of a finding's tag by its level. */
export const SHAPE = { "stop: do not print": "island", fault: "cantilever", caution: "bridge", note: "holds" };
const MARGIN_MM = 1; // between what is looked at and the line around it
const MARKED = [0.96, 0.62, 0.1], DIAGONAL = 2;
const placed = (finding) => finding.place && [...finding.place.at_mm, finding.place.z_mm];

/** Strands of the part plain, of supports brick, those that a finding is about hatched. */
function strandLooks() {
  const { part, support } = tones();
  return looksTexture([[part, 0], [support, 0], [MARKED, DIAGONAL]].map(([tone, hatch]) => ({ tone, ink: inkOn(tone), hatch })));
}

export class Laid {
  constructor(on) {
    this.plate = new Plate({
      name: "program", label: "The part where the program lays it, findings numbered", home: "above",
      help: "Page down and page up go from finding to finding.",
    });
    Object.assign(this.plate, { tagKind: -1, always: true });
    Object.assign(this.plate.on, on);
  }

  /** Nothing has been audited: the plate is bare. */
  clear() {
    if (this.drawn === "") return;
    this.drawn = "";
    this.plate.set({ items: [], tags: [], outlines: [] });
    this.plate.say("");
  }

  /**
   * `audit` with its `key`; `solids` of the sheet (`{ key, solid, positions }`), none where they are not those that
   * were audited; `chosen` finding and what is seen around it (buffers, or undefined until they have come).
   */
  draw({ audit, key, solids, chosen, seen }) {
    const is = JSON.stringify([key, solids.map((one) => one.key), chosen?.number, Boolean(seen), tones().part]);
    if (this.drawn === is) return;
    this.drawn = is;
    dispose(this.strands);
    const { copies, figures } = audit, z = chosen?.place?.z_mm;
    const height = z === undefined ? 0 : Math.min(z, z <= figures.first_height_mm + 1e-6 ? figures.first_height_mm : figures.height_mm);
    const lies = copies.map((copy) => ({ turn: turnMatrix([0, 0, copy.turn_deg]), shift: copy.shift_mm }));
    const items = lies.flatMap((lie) => solids.map(({ solid, positions }) => ({
      solid, ...lie, pointed: false, cut: z === undefined ? undefined : z - height + 1e-3,
      bounds: turnedBounds(positions, lie.turn).map((end) => end.map((v, k) => v + lie.shift[k])),
    })));
    this.strands = seen && strands(seen.arrays, z);
    if (this.strands) items.push({ solid: this.strands, looks: strandLooks(), pointed: false });
    const findings = audit.findings.filter((f) => f.place), spots = findings.map(placed);
    const box = around([
      ...(items.length ? items.map((item) => item.bounds || item.solid.bounds) : [[figures.low_mm, figures.high_mm]]),
      ...spots.map((spot) => [spot, spot]),
    ]);
    items.unshift({ solid: bed(box) });
    const printed = findings.filter((f) => z === undefined || f.place.z_mm < z + 1e-3); // what is not cut off
    const shown = printed.sort((a, b) => (b === chosen) - (a === chosen)).slice(0, MOST_TAGS);
    this.plate.set({
      items, chosen: chosen?.number || 0,
      tags: shown.map((f) => ({ number: f.number, at: placed(f), shape: SHAPE[f.level] })),
      outlines: z === undefined ? [] : [{ z, box: chosen.place.box_mm.map((v, k) => v + (k < 2 ? -MARGIN_MM : MARGIN_MM)) }],
    });
    this.plate.bounds = box; // findings beside the part are seen too, and nothing moves from one to the next
    this.caption({ found: lies.length, part: solids.length, chosen, seen, left: z === undefined ? findings.length - shown.length : 0 });
  }

  /** Turn to a finding and come near. */
  closeTo({ place }) {
    const [x0, y0, x1, y1] = place.box_mm, across = Math.max(x1 - x0, y1 - y0);
    const wide = across > MOST_ACROSS_MM;
    this.plate.closeTo([...(wide ? place.at_mm : [(x0 + x1) / 2, (y0 + y1) / 2]), place.z_mm], Math.max(LEAST_ACROSS_MM, Math.min(across, MOST_ACROSS_MM)));
  }

  caption({ found, part, chosen, seen, left }) {
    const said = [];
    if (chosen && !chosen.place) said.push(`Finding ${chosen.number} is about the whole program: it has no place.`);
    if (chosen?.place) said.push(`Finding ${chosen.number}: what is printed up to layer ${chosen.place.layer}, z ${words.withUnit(chosen.place.z_mm, "mm", 2)}.`);
    if (seen) said.push("Hatched: the strands it is about; plain and brick: other strands of that layer near it. Dashed: how far it reaches.");
    if (!found) said.push("The part was not found in the program, so it is not drawn.");
    else if (!part) said.push("The part is now in another position than it was audited in, so it is not drawn.");
    else if (!chosen) said.push("Part and supports as planned, where the program lays them; numbers: the findings.");
    if (left) said.push(`${words.counted(left, "finding")} more without a number here.`);
    this.plate.say(said.join(" "));
  }

  close() {
    dispose(this.strands);
    this.plate.close();
  }
}
