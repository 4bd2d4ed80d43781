// One work order in the tray: its picture, what it comes to, whether it is ready, what is wrong.

import { h, keep, unseen } from "../dom.js";
import * as words from "../words.js";

const BY_ITSELF = ["part", "undersides", "totals", "supports", "release"];
const some = (stages, ...states) => BY_ITSELF.some((name) => states.includes(stages[name]));

/** How a work order stands: one of the filter's kinds, and in words. */
export function stateOf(sheet) {
  const { stages } = sheet;
  if (some(stages, "failed")) return ["failed", "stopped by an error"];
  if (some(stages, "running", "queued", "waiting")) return ["running", "being worked out"];
  if (stages.release !== "ready") return ["idle", "begun"];
  if (!sheet.ready) return ["failed", "not ready to print"];
  return stages.files === "ready" ? ["done", "files written"] : ["done", "ready to print"];
}

const byNumber = (key) => (a, b) => (a[key] ?? Infinity) - (b[key] ?? Infinity);
const RANK = { failed: 0, running: 1, idle: 2, done: 3 };
/** The orders in which the tray can be sorted. */
export const SORTS = {
  changed: ["last changed", (a, b) => b.changed - a.changed],
  title: ["name", (a, b) => a.title.localeCompare(b.title, "en", { numeric: true })],
  time: ["machine time", byNumber("time_s")],
  price: ["price", byNumber("price")],
  state: ["what needs you first", (a, b) => RANK[stateOf(a)[0]] - RANK[stateOf(b)[0]] || b.changed - a.changed],
};
/** What of the tray can be shown. */
export const FILTERS = {
  all: ["all", () => true],
  done: ["ready to print", (sheet) => stateOf(sheet)[0] === "done"],
  failed: ["not ready", (sheet) => stateOf(sheet)[0] === "failed"],
  running: ["being worked out", (sheet) => stateOf(sheet)[0] === "running"],
};

/** `on`: pick(checked), copy(), throwAway(), key(event). */
export function orderRow(sheet, { picked, on }) {
  const [kind, word] = stateOf(sheet);
  const facts = [
    ["Machine time", sheet.time_s === null ? "…" : words.duration(sheet.time_s)],
    ["Filament", sheet.mass_g === null ? "…" : words.mass(sheet.mass_g)],
    ["Total price", sheet.price === null ? "…" : words.price(sheet.price)],
    ["Size", sheet.size_mm ? words.sizeOf(sheet.size_mm) : "…"],
  ];
  return h("li", { class: `order ${kind}${picked ? " picked" : ""}`, "data-key": sheet.id, onkeydown: on.key },
    h("label", { class: "pick" }, h("input", { type: "checkbox", checked: picked, onchange: (e) => on.pick(e.target.checked) }), unseen(`Choose ${sheet.title}`)),
    keep(`thumb-${sheet.id}`, { class: "thumb" }),
    h("div", { class: "order-name" },
      h("a", { href: `/sheets/${sheet.id}`, class: "order-link" }, sheet.title),
      h("span", { class: "sub" }, `${sheet.part_name} · changed ${words.moment(sheet.changed)}`)),
    h("div", { class: `tray-state ${kind}` }, h("b", {}, word),
      sheet.step && kind === "running" ? h("span", { class: "sub" }, sheet.step) : null,
      sheet.wrong.length ? h("span", { class: "sub" }, /^\S*\.\S+:/.test(sheet.wrong[0]) ? `${sheet.wrong[0]}.` : words.sentence(sheet.wrong[0]), // a file keeps its name
         sheet.wrong.length > 1 ? ` And ${sheet.wrong.length - 1} more.` : "") : null),
    h("dl", { class: "order-facts" }, facts.map(([name, value]) => h("div", {}, h("dt", {}, name), h("dd", {}, value)))),
    h("div", { class: "order-acts" },
      h("button", { type: "button", class: "quiet", onclick: on.copy }, "Copy", unseen(` ${sheet.title}`)), " ",
      h("button", { type: "button", class: "quiet", onclick: on.throwAway }, "Throw away", unseen(` ${sheet.title}`))));
}
