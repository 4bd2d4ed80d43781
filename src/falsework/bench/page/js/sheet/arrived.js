// Section 1: what arrived. The part's health, and where something was found.

import { bringIn } from "../bringing.js";
import { h } from "../dom.js";
import { bed } from "../figure/solids.js";
import { Plate } from "../figure/plate.js";
import * as words from "../words.js";
import { instead, scroll } from "./parts.js";
import { Section } from "./section.js";

export class Arrived extends Section {
  key = "arrived";
  title = "What arrived";
  stages = ["part"];

  constructor(page) {
    super(page);
    this.plate = new Plate({ name: "arrived", label: "The part on the bed", home: "above" });
    this.plate.tagKind = 0;
    this.plate.on.eye = () => page.noteLook(this, this.plate.eyeText);
    this.plate.on.hover = (number) => page.hover("finding", number);
    this.plate.say("The part on the bed.");
  }

  get files() {
    return [["part", "part.json"]];
  }

  pointed(kind, number) {
    if (kind === "finding") this.plate.point(number);
  }

  view() {
    const { store } = this;
    const about = store.value("part", "part.json");
    const waiting = instead(store, ["part"], about, "measuring the part", "Size, health and what was healed will stand here.");
    this.draw();
    if (!about) return waiting;
    const { part } = about, findings = part.findings || [];
    return [
      waiting,
      h("p", {}, `${words.number(part.triangles, 0)} triangles in ${words.counted(part.bodies, "body", "bodies")}; the surface is ${part.closed ? "closed" : "not closed"}. Its numbers were taken as ${part.unit}.`),
      (about.fits || []).length ? h("div", { class: "mind" }, h("ul", {}, about.fits.map((said) => h("li", {}, words.sentence(said))))) : null,
      findings.length ? scroll("What was found in the mesh", h("table", {},
        h("thead", {}, h("tr", {}, h("th", { scope: "col", class: "n" }, "No."), h("th", { scope: "col" }, "Found"), h("th", { scope: "col" }, "Done about it"))),
        h("tbody", {}, findings.map((f, k) => this.finding(f, k + 1)))))
        : h("p", {}, "Nothing had to be healed."),
      this.form(about),
    ];
  }

  finding(f, number) {
    const at = f.where_mm && `, first at x\u00a0${words.number(f.where_mm[0], 1)}, y\u00a0${words.number(f.where_mm[1], 1)}, z\u00a0${words.number(f.where_mm[2], 1)}\u00a0mm`;
    return h("tr", {
      "data-finding": number, "data-key": `finding-${number}`,
      onpointerenter: () => this.page.hover("finding", number), onpointerleave: () => this.page.hover("finding", 0),
    },
    h("th", { scope: "row", class: "n" }, number),
    h("td", {}, `${f.count > 1 ? `${words.number(f.count, 0)} × ` : ""}${f.what}${at || ""}`, f.serious && h("strong", { class: "prop" }, " serious")),
    h("td", {}, f.done || "left as it is"));
  }

  /** Unit and scale: what a file cannot say. */
  form(about) {
    const { store } = this, { choices } = store;
    const scale = store.field("scale", {
      number: true, read: () => String(store.sheet.choices.scale ?? 1), change: (text) => ({ choices: { scale: text === "" ? null : Number(text) } }),
    });
    return h("form", { class: "inline no-print", onsubmit: (event) => event.preventDefault() },
      h("label", {}, "Its numbers are ",
        h("select", { value: choices.unit || "", onchange: (e) => store.choose({ unit: e.target.value || null }) },
          [["", `as read (${about.part.unit})`], ["mm", "mm"], ["cm", "cm"], ["m", "m"], ["um", "µm"], ["inch", "inches"], ["foot", "feet"]]
            .map(([value, word]) => h("option", { value }, word)))),
      h("label", {}, "scale × ",
        h("input", { ...scale.attributes(), inputmode: "decimal", autocomplete: "off", class: "short" })),
      scale.said("the scale"),
      h("label", { class: "button", for: "other-file" }, "Another file for this sheet…"),
      h("input", {
        id: "other-file", class: "unseen", type: "file", onchange: (e) => {
          if (e.target.files[0]) bringIn(e.target.files[0], { id: store.id, version: store.sheet.version });
          e.target.value = "";
        },
      }),
      h("a", { href: `/api/parts/${store.sheet.part.digest}`, download: store.sheet.part.name }, `The file as it came: ${store.sheet.part.name}`));
  }

  draw() {
    const part = this.part();
    if (!part.values || this.drawn === part.key) return;
    this.drawn = part.key;
    const [, , about] = part.values, solid = this.shell(part);
    const tags = (about.part.findings || []).flatMap((f, k) => (f.where_mm ? [{ number: k + 1, at: f.where_mm, shape: f.serious ? "island" : "holds" }] : []));
    this.plate.set({ items: [{ solid: bed(solid.bounds) }, { solid }], tags, always: true });
  }
}
