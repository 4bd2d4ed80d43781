// What the machine will do: a machine program that somebody's own slicing program made comes to the sheet, is
// audited against it, and what was found is shown, worst first, in table and figure.

import { cautionList } from "../cautions.js";
import { bringProgram, limit, PROGRAM_FILES } from "../bringing.js";
import { announce, h, unseen } from "../dom.js";
import { pieces } from "../figure/solids.js";
import * as words from "../words.js";
import { pictures } from "./around.js";
import { Laid } from "./laid.js";
import { atWork, failure, progress, scroll } from "./parts.js";
import { Section } from "./section.js";

const SHOWN = 30; // rows in the open table; the rest are folded away
const LEVEL = {
  "stop: do not print": { sign: "▨", many: "to stop for: do not print", means: "the print fails, or the machine is at risk" },
  fault: { sign: "◆", many: "faults", means: "it will not come out as it should" },
  caution: { sign: "△", many: "cautions", means: "it may show" },
  note: { sign: "○", many: "notes", means: "good to know" },
};
const UNDERSIDE_HEADS = [["Kind"], ["Height, mm", "n"], ["Planned support"], ["Carried", "n"], ["Air gap, mm", "n"], ["Interface layers", "n"], ["Spacing, mm", "n"], ["Verdict"]];
const bytes = (n) => (n < 1e6 ? words.withUnit(n / 1e3, "kB") : words.withUnit(n / 1e6, "MB"));

export class Program extends Section {
  key = "program";
  title = "What the machine will do";
  short = "The machine";
  stages = ["audit"];

  constructor(page) {
    super(page);
    this.laid = new Laid({
      hover: (number) => page.hover("audited", number),
      pick: (number) => number && this.look(number, { from: "figure" }),
      eye: () => page.noteLook(this, this.plate.eyeText),
      onward: (by) => this.onward(by),
    });
    this.plate = this.laid.plate;
    this.nearer = h("button", { type: "button", onclick: () => this.laid.closeTo(this.chosen) }, "Look at it from near");
    this.legend = legend();
    this.beside = [h("p", { class: "no-print" }, this.nearer), this.legend];
  }

  get files() {
    return [["audit", "audit.json"]];
  }

  /** The program that counts, as the sheet has it. */
  get program() {
    return this.store.sheet.programs[0];
  }

  pointed(kind, number) {
    if (kind === "audited") this.plate.point(number);
  }

  // ---- a program comes ---------------------------------------------------------------------------------------------

  /** Bring a file to the sheet and have it audited; of several, one after the other, the last counts. */
  bring(file) {
    this.page.goTo("program");
    this.bringing = (this.bringing || Promise.resolve()).then(() => this.bringOne(file));
    return this.bringing;
  }

  async bringOne(file) {
    this.trouble = null;
    this.coming = { name: file.name, fraction: 0 };
    this.page.renderSoon();
    let kept = null;
    try {
      kept = await bringProgram(file, (fraction) => {
        this.coming.fraction = fraction;
        this.page.renderSoon();
      });
    } catch (error) {
      if (error.name !== "AbortError") this.trouble = { error, file };
    }
    this.coming = null;
    this.page.renderSoon();
    if (kept) await this.put({ digest: kept.digest, name: kept.name, volumetric: this.program?.volumetric || false });
  }

  /** Have this program count on the sheet, and audit it. */
  async put({ digest, name, volumetric }) {
    await this.store.change({ program: { digest, name, volumetric } });
    if (!this.store.conflict && !this.store.refused) await this.store.ask("audit");
  }

  // ---- what is looked at -------------------------------------------------------------------------------------------

  look(number, { from = "table" } = {}) {
    this.page.select("program", { finding: number });
    if (from === "table") return;
    const { chosen } = this;
    if (chosen) announce(`Finding ${number}, ${chosen.level}: ${chosen.says}`);
    requestAnimationFrame(() => requestAnimationFrame(() => this.row(number)?.scrollIntoView({ block: "nearest" })));
  }

  row(number) {
    return this.page.place.querySelector(`#program .findings [data-audited="${number}"]`);
  }

  /** From finding to finding, by keys in the figure. */
  onward(by) {
    const count = this.audit?.findings.length;
    if (count) this.look(Math.max(1, Math.min(count, (this.page.ui.finding || 0) + by)), { from: "figure" });
  }

  get audit() {
    return this.store.value("audit", "audit.json");
  }

  /** The finding that is looked at, if any. */
  get chosen() {
    return this.audit?.findings.find((f) => f.number === this.page.ui.finding);
  }

  // ---- the section -------------------------------------------------------------------------------------------------

  view() {
    const { store, program } = this, stage = store.stage("audit");
    const found = store.results("audit", "audit.json", "words.json");
    this.draw(found);
    return [
      h("p", {}, "Have your own slicing program write the machine's program from the files above, and bring it here. It is read as the machine will read it; what it lays is rebuilt strand by strand and held against this sheet."),
      h("p", {}, h("strong", {}, "It is only read."), " Nothing in it is changed, and nothing is sent to a machine."),
      this.trouble ? failure(this.trouble.error, () => this.bring(this.trouble.file), `Bring ${this.trouble.file.name} again`) : null,
      this.coming ? h("p", { class: "verdict waiting" }, `${this.coming.name} is being brought in: ${words.share(this.coming.fraction)}`) : null,
      program ? this.facts(program, stage) : this.invitation(),
      program && stage.state === "failed" ? failure(stage.error, () => store.ask("audit")) : null,
      program && atWork(stage) ? progress(store, "audit", "auditing the program") : null,
      found.values ? this.result(found) : null,
      this.earlier(),
    ];
  }

  choose(word, strong) {
    return [h("label", { class: strong ? "button strong" : "button", for: "program-file" }, word),
      h("input", {
        id: "program-file", class: "unseen", type: "file", accept: PROGRAM_FILES, onchange: (event) => {
          if (event.target.files[0]) this.bring(event.target.files[0]);
          event.target.value = "";
        },
      })];
  }

  invitation() {
    return h("div", { class: "drop-here no-print", "data-takes": "program" },
      h("p", { class: "verdict" }, "Drop the machine's program anywhere on this page."),
      h("p", {}, `G-code as the machine reads it, plain or packed by gzip or zip, up to ${words.withUnit(limit() / 2 ** 20, "MB", 0)}.`),
      h("p", { class: "inline" }, this.choose("Choose a file…", true)));
  }

  facts(program, stage) {
    const { store } = this, idle = stage.state === "idle";
    return h("div", { "data-takes": "program" },
      h("p", {}, h("strong", {}, program.name), `, ${bytes(program.bytes)}, brought ${words.moment(program.dropped)}. `,
        h("a", { class: "no-print", href: `/api/programs/${program.digest}?name=${encodeURIComponent(program.name)}`, download: program.name }, "As it came")),
      h("div", { class: "inline no-print" },
        idle ? h("button", { type: "button", class: "strong", onclick: () => store.ask("audit") }, stage.shown ? "Audit it again" : "Audit it") : null,
        this.choose("Another program…"),
        h("label", { class: "check" }, h("input", {
          type: "checkbox", checked: program.volumetric, onchange: (event) => this.put({ ...program, volumetric: event.target.checked }),
        }), " E counts mm³ of plastic, not mm of filament"),
        h("button", { type: "button", class: "quiet", onclick: () => store.change({ program: null }) }, "Take it off this sheet")));
  }

  earlier() {
    const some = this.store.sheet.programs.slice(1);
    if (!some.length) return null;
    return h("details", { "data-key": "earlier-programs" }, h("summary", {}, `Earlier programs: ${some.length}`),
      h("ul", { class: "files" }, some.map((one) => h("li", { "data-key": one.digest },
        h("a", { href: `/api/programs/${one.digest}?name=${encodeURIComponent(one.name)}`, download: one.name }, one.name),
        h("span", {}, ` ${bytes(one.bytes)}, brought ${words.moment(one.dropped)} `),
        h("button", { type: "button", class: "quiet", onclick: () => this.put(one) }, "Audit this one", unseen(`: ${one.name}`))))));
  }

  result({ values: [audit, said], stale, key }) {
    const { program } = this;
    return h("div", { class: stale ? "stale" : null },
      stale ? h("p", {}, h("strong", { class: "prop" }, "These findings are out of date"), `: ${this.whyStale(said, program)}`) : null,
      h("p", { class: "verdict" }, audit.answer.says),
      audit.answer.groups.length ? this.reasons(audit, said, key) : null,
      audit.would_add ? h("p", { class: "sub" }, audit.would_add) : null,
      audit.findings.length ? this.everything(audit, said, key) : null,
      h("h3", {}, "Totals"),
      scroll("Totals of the program and of the plan", h("table", { class: "planned-found" },
        h("thead", {}, h("tr", {}, h("td", {}), h("th", { scope: "col" }, "Program"), h("th", { scope: "col" }, "Plan"))),
        h("tbody", {}, said.figures.map(([name, is, planned]) => h("tr", {}, h("th", { scope: "row" }, name), h("td", {}, is), h("td", {}, planned || "–")))))),
      this.undersides(audit, said),
      h("p", { class: "sub" }, "Read by its motion alone; comments were not looked at. Sag is predicted, not measured. What the machine does of its own is not seen here."),
      cautionList(["print"]),
      stale ? null : h("p", { class: "inline no-print" },
        h("a", { class: "button", href: this.store.url("/audit/report.html?view=1"), target: "_blank", rel: "noopener" }, "The audit as a page, to look at or print", unseen(" (opens a new tab)")),
        h("a", { class: "button", href: this.store.url("/audit/report.html"), download: "" }, "Take the page"),
        h("a", { class: "button", href: this.store.url("/audit/audit.json"), download: "" }, "Take it for programs (JSON)")));
  }

  whyStale(said, program) {
    if (!program) return `${said.program.name} was taken off this sheet.`;
    if (said.program.digest !== program.digest) return `they are those of ${said.program.name}, which was here before.`;
    if (said.program.volumetric !== program.volumetric) return "how E counts was changed after it was audited.";
    if ((said.fit ?? this.store.sheet.fit) !== this.store.sheet.fit) return "the ledger's fit has changed: readings were fitted anew after the program was audited.";
    return "the sheet was changed after the program was audited, so it is held against what the sheet said before.";
  }

  /** What the answer rests on, at most five things: each with its picture, where it is and what to do. */
  reasons(audit, said, key) {
    return [h("h3", {}, "Why, and what to do"), h("ol", { class: "reasons" }, audit.answer.groups.map((group) => {
      const f = audit.findings[group.findings[0] - 1], says = words.sentence(group.says), seen = this.aroundIt(f, said, key);
      return h("li", {
        "data-audited": f.number, "data-key": `reason-${group.kind}-${group.level}`,
        onpointerenter: () => this.page.hover("audited", f.number), onpointerleave: () => this.page.hover("audited", 0),
        onfocusin: () => this.page.hover("audited", f.number),
      },
      h("p", {}, h("strong", {}, mark(group.level), ` ${says}`)),
      h("p", {}, words.sentence(group.cure)),
      h("p", { class: "sub" }, `${group.level}: ${group.kind}. ${words.sentence(said.where[f.number])} `,
        h("button", { type: "button", class: "quiet no-print", onclick: () => this.look(f.number, { from: "reason" }) }, f.place ? "Show it in the figure" : "To its row", unseen(`: finding ${f.number}`))),
      seen ? pictures(seen.meta, says) : null);
    }))];
  }

  /** All findings, folded away until one is looked at. */
  everything(audit, said, key) {
    const { finding } = this.page.ui;
    if (finding !== this.lookedAt) this.unfolded ||= Boolean(finding);
    this.lookedAt = finding;
    const counts = Object.keys(LEVEL).map((level) => [level, audit.findings.filter((f) => f.level === level).length]);
    return [
      h("h3", {}, "Everything that was found"),
      h("ul", { class: "levels" }, counts.filter(([, n]) => n).map(([level, n]) => h("li", {},
        mark(level), ` ${words.counted(n, level, LEVEL[level].many)}: ${LEVEL[level].means}`))),
      h("details", { "data-key": "findings", open: this.unfolded || !audit.answer.groups.length, ontoggle: (event) => { this.unfolded = event.target.open; } },
        h("summary", {}, `${words.counted(audit.findings.length, "finding")}, worst first`),
        this.findings(audit, said, key)),
    ];
  }

  findings(audit, said, key) {
    const open = this.page.ui.finding, { findings } = audit;
    const cut = this.all || findings.slice(SHOWN).some((f) => f.number === open) ? findings.length : SHOWN;
    return [
      scroll("Findings, worst first", h("table", { class: "findings" },
        h("caption", { class: "unseen" }, "What was found in the program, worst first"),
        h("thead", {}, h("tr", {}, [["No.", "n"], ["Level"], ["What, and what to do"], ["Where", "wide-only"]].map(([name, c]) => h("th", { scope: "col", class: c }, name)))),
        h("tbody", {}, findings.slice(0, cut).flatMap((f) => this.rows(f, said, key, open === f.number))))),
      cut < findings.length ? h("p", {}, h("button", { type: "button", onclick: () => { this.all = true; this.page.renderSoon(); } }, `Show the other ${findings.length - cut}`)) : null,
    ];
  }

  rows(f, said, key, open) {
    const toggle = () => this.look(open ? 0 : f.number);
    const row = h("tr", {
      "data-audited": f.number, "data-key": `audited-${f.number}`, class: open ? "open" : null,
      onpointerenter: () => this.page.hover("audited", f.number), onpointerleave: () => this.page.hover("audited", 0),
      onfocusin: () => this.page.hover("audited", f.number),
      onclick: (event) => { if (!event.target.closest("button, a")) toggle(); },
    },
    h("th", { scope: "row", class: "n" }, h("button", {
      type: "button", class: "number", "aria-expanded": open ? "true" : "false", "aria-controls": `finding-${f.number}`,
      "aria-label": `Finding ${f.number}: where it is`, onclick: toggle, onkeydown: (event) => this.arrows(event, f.number),
    }, f.number)),
    h("td", { class: "kind" }, f.level === "stop: do not print" || f.level === "fault" ? h("strong", { class: "prop" }, mark(f.level), ` ${f.level}`) : [mark(f.level), ` ${f.level}`]),
    h("td", {}, words.sentence(f.says), h("span", { class: "sub" }, f.follows ? `It follows from what is called ${f.follows}.` : words.sentence(f.cure))),
    h("td", { class: "wide-only" }, this.whereLines(f, said)));
    return open ? [row, this.docket(f, said, key)] : [row];
  }

  /** Where a finding is, in short lines. */
  whereLines(f, said) {
    if (!f.place) return said.where[f.number];
    const [x, y] = f.place.at_mm.map((v) => words.number(v, 1)), [a, b] = f.place.lines;
    return [`layer ${f.place.layer}, ${words.withUnit(f.place.z_mm, "mm", 2)}`, `x ${x}, y ${y}`, a === b ? `line ${a}` : `lines ${a} to ${b}`]
      .map((text) => h("span", { class: "line" }, text));
  }

  /** Up and down go through the findings. */
  arrows(event, number) {
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (!step) return;
    event.preventDefault();
    this.row(number + step)?.querySelector(".number").focus();
  }

  docket(f, said, key) {
    const seen = this.aroundIt(f, said, key);
    const sag = f.droop_mm && `Sag there ${words.withUnit(f.droop_mm.value, "mm")} (90 %: ${words.interval(f.droop_mm, "mm")}); ${words.BASIS[f.droop_mm.basis] || f.droop_mm.basis}.`;
    return h("tr", { class: "docket", id: `finding-${f.number}`, "data-key": `finding-${f.number}` }, h("td", { colspan: 4 },
      h("div", { class: "docket-body" },
        h("p", {}, words.sentence(said.where[f.number]), f.place?.layers > 1 ? ` It goes on for ${words.counted(f.place.layers, "layer")}.` : ""),
        f.underside ? h("p", {}, "It is about ", h("button", { type: "button", class: "quiet", onclick: () => this.toUnderside(f.underside) }, `underside ${f.underside}`), ".") : null,
        sag ? h("p", {}, sag) : null,
        seen ? pictures(seen.meta, words.sentence(f.says)) : null)));
  }

  /** What is seen around a finding, once it has come; null where nothing is drawn of it. */
  aroundIt(f, said, key) {
    if (!said.pictures.includes(f.number)) return null;
    return this.store.fetched(key, `around-${f.number}.bin`).value; // of this very audit, not of one that comes
  }

  toUnderside(number) {
    this.page.select("undersides", { number });
    this.page.goTo("undersides");
  }

  undersides(audit, said) {
    if (!audit.undersides.length) return null;
    return [h("h3", {}, "Undersides, planned and found"),
      scroll("Undersides as planned and as the program prints them", h("table", { class: "undersides-found" },
        h("thead", {}, h("tr", {}, h("th", { scope: "col", class: "n" }, "No."), UNDERSIDE_HEADS.map(([name, c]) => h("th", { scope: "col", class: c }, name)))),
        h("tbody", {}, said.undersides.map(([number, ...cells]) => h("tr", {
          "data-underside": number, onpointerenter: () => this.page.hover("underside", Number(number)), onpointerleave: () => this.page.hover("underside", 0),
        },
        h("th", { scope: "row", class: "n" }, h("button", { type: "button", class: "number", "aria-label": `Underside ${number}: to its row above`, onclick: () => this.toUnderside(Number(number)) }, number)),
        cells.map((cell, k) => h("td", { class: UNDERSIDE_HEADS[k][1] }, cell)))))))];
  }

  // ---- the figure --------------------------------------------------------------------------------------------------

  draw(found) {
    const { store } = this;
    this.plate.element.classList.toggle("stale", Boolean(found.values) && found.stale);
    this.legend.hidden = !found.values?.[0].findings.some((f) => f.place);
    this.nearer.hidden = true;
    if (!found.values) return void this.laid.clear();
    const [audit, said] = found.values;
    const part = this.part(), built = store.results("supports", "supports.mesh"), solids = [];
    if (store.fits(found, part)) {
      solids.push({ key: part.key, solid: this.shell(part), positions: part.values[0].arrays.positions });
      const support = store.fits(built, part) && this.page.shared("pieces", built.key, () => pieces(built.values[0]));
      if (support) solids.push({ key: built.key, solid: support, positions: built.values[0].arrays.positions });
    }
    const { chosen } = this;
    this.nearer.hidden = !chosen?.place;
    this.laid.draw({ audit, key: found.key, solids, chosen, seen: chosen && this.aroundIt(chosen, said, found.key) });
  }

  close() {
    this.laid.close();
  }
}

const mark = (level) => h("span", { class: "level-mark", "aria-hidden": "true" }, LEVEL[level].sign);

/** The shapes of the numbers by level. */
function legend() {
  const SHAPES = { "stop: do not print": "six-sided", fault: "pointed", caution: "square", note: "round" };
  return h("p", { class: "sub legend" }, "Numbers by level: ", words.listed(Object.keys(LEVEL).map((level) => `${SHAPES[level]} ${level}`)), ".");
}
