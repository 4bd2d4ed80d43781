// Section 8: hand over. The files, the written report, and the sheet on paper.

import { post } from "../api.js";
import { cautionList } from "../cautions.js";
import { h, unseen } from "../dom.js";
import { address, go } from "../route.js";
import { withUnit } from "../words.js";
import { atWork, failure, progress } from "./parts.js";
import { Section } from "./section.js";
import { STAGES } from "./store.js";
import { printTraveller } from "./traveller.js";

const FILES = {
  "print.3mf": "part and supports, placed on the bed, in one 3MF file",
  "part.stl": "the part alone, placed",
  "supports.stl": "the supports alone, in the same place",
  "settings.md": "what to set in the program that makes the machine's code, line by line",
  "report.html": "the whole work order as one page that opens anywhere",
  "plan.json": "every figure, for programs",
};
const ORDER = Object.keys(FILES); // print.3mf first
const bytes = (n) => (n < 1e6 ? withUnit(n / 1e3, "kB") : withUnit(n / 1e6, "MB"));

export class Handover extends Section {
  key = "files";
  title = "Hand over";
  stages = ["files"];

  get files() {
    return [["files", "files.json"]];
  }

  view() {
    const { store } = this, stage = store.stage("files"), { value, stale } = store.result("files", "files.json");
    const ready = value && !stale && stage.state === "ready";
    const others = STAGES.some((name) => store.stage(name).state === "failed");
    return [
      stage.state === "failed" ? failure(stage.error, () => this.write()) : null,
      h("div", { class: "inline no-print" },
        h("label", {}, "Supports in the 3MF file as ", h("select", {
          value: store.choices.supports_as || "support", onchange: (e) => store.choose({ supports_as: e.target.value }),
        }, [["support", "objects of type support"], ["solidsupport", "objects of type solidsupport"], ["model", "ordinary models, for programs that ignore the others"]]
          .map(([v, word]) => h("option", { value: v }, word)))),
        h("button", { type: "button", class: "strong", disabled: others || atWork(stage) || ready, onclick: () => this.write() }, value ? "Write the files again" : "Write the files"),
        h("button", { type: "button", onclick: () => printTraveller() }, "Print for the machine (one page)"),
        h("button", { type: "button", onclick: () => window.print() }, "Print the whole work order")),
      atWork(stage) ? progress(store, "files", "writing the files") : null,
      value ? h("div", { class: stale ? "stale" : null },
        stale ? h("p", {}, h("strong", { class: "prop" }, "These files are out of date"), ": the sheet was changed after they were written.") : null,
        h("ul", { class: "files" }, [...value.files].sort((a, b) => ORDER.indexOf(a.name) - ORDER.indexOf(b.name)).map((file) => h("li", {},
          ready ? h("a", { href: `${store.url("/files/")}${file.name}`, download: "" }, file.name) : h("span", {}, file.name),
          h("span", { class: "sub" }, ` ${bytes(file.bytes)}`), h("span", {}, ` ${FILES[file.name] || ""}`),
          ready && file.name === "report.html" ? [" ", h("a", { href: `${store.url("/files/report.html")}?view=1`, target: "_blank", rel: "noopener" }, "look at it", unseen(" (opens a new tab)"))] : null))),
        ready ? h("p", {}, h("a", { class: "button", href: store.url("/files.zip"), download: "" }, "All in one archive (zip)")) : null)
        : atWork(stage) ? null : h("p", {}, "3MF, STL, settings sheet and report are written when you ask for them; they say what this sheet says."),
      h("h3", {}, "Before it is printed"),
      cautionList([], store.sheet.cautions),
      h("h3", { class: "no-print" }, "Once it is printed"),
      h("p", { class: "no-print" }, h("button", { type: "button", disabled: store.stage("release").state !== "ready", onclick: () => this.printed() }, "Record that it was printed"),
        " Its page in the ledger then takes photographs and what you see."),
      this.refused ? failure(this.refused) : null,
      store.sheet.command ? h("details", { "data-key": "command" }, h("summary", {}, "The same by command line"), h("p", { class: "code" }, store.sheet.command)) : null,
    ];
  }

  async printed() {
    try {
      const { id } = await post("/api/prints", { sheet: this.store.id });
      go(address(["ledger", "prints", String(id)]));
    } catch (error) {
      this.refused = error;
      this.page.renderSoon();
    }
  }

  write() {
    this.store.ask("files", { report: true });
  }
}
