// Changing the part itself: faces that must stay, the changes that make its undersides hold, and what they save.

import { cautionList } from "../cautions.js";
import { hatchSample, inkOn, tones } from "../colour.js";
import { h, unseen } from "../dom.js";
import { Plate } from "../figure/plate.js";
import { looksTexture, markable, pieces } from "../figure/solids.js";
import * as words from "../words.js";
import { atWork, failure, progress, scroll } from "./parts.js";
import { Section } from "./section.js";
import { takeRedrawn } from "./taking.js";

const ADDED = [0.42, 0.58, 0.74], TAKEN = [0.84, 0.75, 0.45];
const FILES = {
  "redrawn.3mf": "the changed part, as it is to be printed",
  "redrawn.stl": "the same as a bare mesh",
  "redrawn.step": "the same with the faces of the STEP that it came as",
  "changes.3mf": "what is added and taken away, each a solid with its name",
  "changes.step": "the same solids for drawing programs that want STEP",
  "redraw.html": "all of this as one page that opens anywhere, with pictures before and after",
  "redraw.json": "every figure, for programs",
  "split-pins.stl": "the loose pins of the cut",
};
const BEFORE = "before", AFTER = "after";

export class Redraw extends Section {
  key = "redraw";
  title = "Changing the part itself";
  short = "The part itself";
  stages = ["redraw"];

  constructor(page) {
    super(page);
    this.shown = AFTER;
    this.plate = new Plate({ name: "redraw", label: "The part with its changes", home: "below" });
    this.plate.on.eye = () => page.noteLook(this, this.plate.eyeText);
  }

  get files() {
    return [["redraw", "words.json"]];
  }

  get asked() {
    return { keep: [], cuts: false, change: {}, ...this.store.choices.redrawing };
  }

  /** The faces that may have to stay are found while somebody looks here. */
  seen() {
    const { store } = this, { state, key } = store.stage("faces");
    if (!this.inView || state !== "idle" || key === this.askedKey || store.declined.has("faces")) return;
    if (store.stage("part").state !== "ready" || store.pending.length) return;
    this.askedKey = key;
    store.ask("faces");
  }

  pointed(kind, name) {
    if (kind === "face" && this.pointing !== name) {
      this.pointing = name;
      this.draw();
    }
  }

  view() {
    const { store } = this, stage = store.stage("redraw");
    const { value: found, stale } = store.result("redraw", "words.json");
    this.seen();
    this.draw();
    return [
      h("p", {}, "The cleanest support is the one that a part does not need. For each underside that needs support the changes that make it hold are drawn, applied to the part and judged by its layers; another position on the bed and a cut into pieces stand beside them."),
      this.faces(),
      stage.state === "failed" ? failure(stage.error, () => store.ask("redraw")) : null,
      atWork(stage) ? progress(store, "redraw", "redrawing") : this.begin(found, stale),
      found ? h("div", { class: stale ? "stale" : null }, this.result(found, !stale && stage.state === "ready")) : null,
    ];
  }

  begin(found, stale) {
    const { store, asked } = this;
    return h("div", { class: "inline no-print" },
      h("button", { type: "button", class: found ? null : "strong", onclick: () => store.ask("redraw") }, found ? (stale ? "Draw the changes anew" : "Draw them again") : "Draw the changes"),
      h("label", {}, h("input", { type: "checkbox", checked: asked.cuts, onchange: (e) => store.choose({ redrawing: { cuts: e.target.checked } }) }),
        " look for cuts into pieces too, which takes longest"));
  }

  /** Bores, pins and flat faces that may have to fit something: to be ticked. */
  faces() {
    const { store, asked } = this;
    const { value: known } = store.result("faces", "faces.json"), stage = store.stage("faces");
    if (stage.state === "failed") return failure(stage.error, () => store.ask("faces"));
    if (!known) return h("p", { class: "sub" }, "Bores and mating faces are being looked for.");
    if (!known.faces.length) return h("p", {}, "No bore, pin or large flat face was found. Faces that must not be touched can be marked under Position on the bed.");
    const keep = (name, on) => store.choose({ redrawing: { keep: on ? [...asked.keep, name] : asked.keep.filter((one) => one !== name) } });
    const kept = asked.keep.length;
    this.facesOpen ??= kept === 0; // ticking a face does not fold the list away
    return h("details", { "data-key": "redraw-faces", open: this.facesOpen, ontoggle: (e) => { this.facesOpen = e.target.open; } },
      h("summary", {}, kept ? `${words.counted(kept, "face")} must stay as drawn: ${words.listed(asked.keep)}` : "Which faces must stay as they are drawn?"),
      h("p", { class: "sub" }, "Found in the mesh; what they are for, nobody here can know. Tick what fits something else. Faces that supports must not touch stay as well."),
      scroll("Faces that may have to stay", h("table", { class: "faces" },
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Stays"), h("th", { scope: "col" }, "What it is"), h("th", { scope: "col", class: "n" }, "Area"))),
        h("tbody", {}, known.faces.map((face) => h("tr", {
          "data-face": face.name, "data-key": `face-${face.name}`, onpointerenter: () => this.page.hover("face", face.name),
          onpointerleave: () => this.page.hover("face", 0), onfocusin: () => this.page.hover("face", face.name),
        },
        h("td", {}, h("label", {}, h("input", { type: "checkbox", checked: asked.keep.includes(face.name), onchange: (e) => keep(face.name, e.target.checked) }), ` ${face.name}`)),
        h("td", {}, face.words), h("td", { class: "n" }, words.withUnit(face.area_mm2 / 100, "cm²"))))))));
  }

  result(found, ready) {
    const { store } = this;
    return [
      found.verdict.map((line, k) => h("p", { class: k ? null : "verdict" }, line)),
      scroll("Ways to print the part", h("table", {},
        h("thead", {}, h("tr", {}, ["Way", "What is done", "Undersides"].map((name) => h("th", { scope: "col" }, name)),
          ["Filament", "of which support", "Time", "Price in all"].map((name) => h("th", { scope: "col", class: "n" }, name)))),
        h("tbody", {}, found.ways.map((way) => h("tr", { class: way.chosen ? "chosen" : null },
          h("th", { scope: "row" }, way.chosen && h("span", { "aria-hidden": "true" }, "▶ "), way.name), h("td", {}, way.said), h("td", {}, way.asking),
          way.printed.map((cell) => h("td", { class: "n" }, cell))))))),
      found.rows.length ? [h("h3", {}, "Each underside"), this.total(found, ready), this.table(found.rows)] : null,
      found.left.length ? h("ul", {}, found.left.map((line) => h("li", {}, line))) : null,
      found.splits.length ? [h("h3", {}, "Cut into pieces"), h("ol", {}, found.splits.map((split) => h("li", {}, split)))] : null,
      found.why_not ? h("p", {}, found.why_not) : null,
      found.by_hand.length ? [h("h3", {}, "By hand, after printing"), h("ul", { class: "cautions" }, found.by_hand.map((line) => h("li", {}, line)))] : null,
      h("ul", { class: "cautions" }, found.notes.map((line) => h("li", {}, line))),
      h("h3", {}, "Cautions"), cautionList(["print", "take off", "rework", "use"]),
      h("h3", { class: "no-print" }, "Files"),
      h("ul", { class: "files no-print" }, found.files.map((name) => h("li", {},
        ready ? h("a", { href: `${store.url("/redrawn/")}${name}`, download: "" }, name) : h("span", {}, name),
        h("span", {}, ` ${FILES[name] || "one piece of the cut, in its position for printing"}`),
        ready && name === "redraw.html" ? [" ", h("a", { href: `${store.url("/redrawn/redraw.html")}?view=1`, target: "_blank", rel: "noopener" }, "look at it", unseen(" (opens a new tab)"))] : null))),
      ready && found.files.includes("redrawn.3mf") ? h("p", { class: "no-print" }, takeRedrawn(this.page)) : null,
    ];
  }

  table(rows) {
    const heads = [["No.", "n"], ["Underside"], ["Change"], ["Its support"], ["Volume"], ["Saves or costs"], ["Smallest section"]];
    return scroll("Undersides and their changes", h("table", { class: "redrawn" },
      h("thead", {}, h("tr", {}, heads.map(([name, c]) => h("th", { scope: "col", class: c }, name)))),
      h("tbody", {}, rows.map((row) => h("tr", {
        "data-underside": row.number, "data-key": `redraw-${row.number}`,
        onpointerenter: () => this.page.hover("underside", row.number), onpointerleave: () => this.page.hover("underside", 0),
      },
      h("th", { scope: "row", class: "n" }, row.number), h("td", {}, row.what),
      h("td", {}, row.done && h("span", { "aria-hidden": "true" }, "✓ "), row.change, row.by_hand && h("span", { class: "sub" }, ` ${words.sentence(row.by_hand)}`),
        row.notes.map((note) => h("span", { class: "sub" }, ` ${note}`)),
        this.menu(row),
        row.others.length ? h("details", { "data-key": `redraw-others-${row.number}` }, h("summary", {}, words.counted(row.others.length, "change that cannot be made", "changes that cannot be made")),
          h("ul", {}, row.others.map((other) => h("li", {}, other)))) : null),
      h("td", {}, row.support), h("td", {}, row.volume), h("td", {}, row.difference), h("td", {}, row.section))))));
  }

  /** What may be done about an underside, to be chosen; the total moves at once, the proof when it is drawn anew. */
  menu(row) {
    const { store, asked } = this, chosen = asked.change[row.number];
    const made = row.menu.find((one) => one.state === "made");
    const lines = row.menu.filter((one) => one.state !== "does not hold");
    const choose = (kind) => store.choose({ redrawing: { change: { [row.number]: kind } } });
    return h("details", { "data-key": `redraw-menu-${row.number}` },
      h("summary", {}, chosen ? `Your choice: ${chosen}` : "Choose what to do"),
      h("fieldset", { class: "no-print" }, h("legend", { class: "unseen" }, `What to do about underside ${row.number}`),
        lines.map((one) => h("label", { class: "line" },
          h("input", { type: "radio", name: `change-${row.number}`, checked: (chosen || made?.kind) === one.kind, onchange: () => choose(one.kind) }),
          ` ${one.kind}: ${one.difference}${one.drawn ? (one.hand === "none" ? "" : `; hand work ${one.hand}`) : ", drawn when chosen"}`,
          one.harms.map((harm) => h("span", { class: "sub" }, ` Harms ${harm}.`))))),
      chosen ? h("button", { type: "button", class: "quiet no-print", onclick: () => choose(null) }, "Back to what was proposed") : null,
      row.dimensions.length ? h("ul", { class: "sub" }, row.dimensions.map((line) => h("li", {}, line))) : null);
  }

  /** What the choices come to: as planned once they are drawn, before that from what each line saves beside the one that was made. */
  total(found, proved) {
    const { asked } = this, own = Object.keys(asked.change);
    if (!own.length) return h("p", { "aria-live": "polite" }); // there from the start: what comes into it is read out
    const planned = found.after ?? found.before;
    const chosen = found.rows.flatMap((row) => row.menu.filter((one) => one.kind === asked.change[row.number]).map((one) => [row, one]));
    const saved = chosen.reduce((sum, [row, one]) => sum + one.saved - (row.menu.find((other) => other.state === "made")?.saved || 0), 0);
    const about = chosen.every(([, one]) => one.drawn) ? "about" : "at least"; // what is not drawn yet saves so much at most
    return h("p", { "aria-live": "polite" }, proved
      ? `As chosen, ${words.price(planned)} in all, drawn and planned. `
      : `As chosen, ${about} ${words.price(planned - saved)} in all; draw the changes anew to have it proved. `,
      h("button", { type: "button", class: "quiet no-print", onclick: () => this.store.choose({ redrawing: { change: null } }) }, "Undo all choices"));
  }

  // ---- the figure ----------------------------------------------------------------------------------------------------

  draw() {
    const { store } = this, part = this.part();
    if (!part.values) return;
    const built = store.results("redraw", "redrawn.mesh"), meta = built.values?.[0]?.meta;
    const fits = store.fits(built, part) && meta?.changed;
    const faces = store.results("faces", "faces.json", "faces.bin");
    const at = this.pointing && faces.values ? faces.values[0].faces.findIndex((one) => one.name === this.pointing) + 1 : 0;
    const shown = at ? BEFORE : this.shown;
    const key = JSON.stringify([part.key, fits && built.key, shown, at, tones().part]);
    if (this.drawn === key) return;
    this.drawn = key;
    this.plate.element.classList.toggle("stale", Boolean(built.stale && fits));
    const solid = this.shell(part);
    if (at) {
      this.plate.set({ items: [this.marked(solid, faces, at)], tags: [] });
      return void this.plate.say(`Dark: ${this.pointing}.`);
    }
    if (!fits) {
      this.plate.set({ items: [{ solid }], tags: [] });
      return void this.plate.say("The part as it is.");
    }
    const other = h("button", { type: "button", class: "quiet", onclick: () => this.flip() }, shown === AFTER ? "Show it as it is" : "Show it redrawn");
    if (shown === BEFORE) this.plate.set({ items: [{ solid }], tags: meta.tags });
    else {
      const redrawn = this.page.shared("redrawn", built.key, () => pieces(built.values[0]));
      const looks = looksTexture([[tones().part, 0], [ADDED, 2], [TAKEN, 1]].map(([tone, hatch]) => ({ tone, ink: inkOn(tone), hatch })));
      this.plate.set({ items: [{ solid: redrawn, looks, pointed: false }], tags: meta.tags });
    }
    this.plate.say(shown === AFTER ? ["Redrawn. ", hatchSample(2), " blue, slanting lines: added; ", hatchSample(1), " sand, upright lines: laid bare by cutting. "] : "As it is. ", other);
  }

  flip() {
    this.shown = this.shown === AFTER ? BEFORE : AFTER;
    this.draw();
  }

  /** The part with one found face dark. */
  marked(solid, faces, at) {
    const plain = this.page.shared("redraw-faces", this.part().key, () => markable(solid));
    const label = faces.values[1].arrays.label;
    plain.marks.fill(0);
    for (let k = 0; k < label.length; k++) if (label[k] === at) plain.marks[k] = 1;
    plain.texture.needsUpdate = true;
    return { solid: plain };
  }
}
