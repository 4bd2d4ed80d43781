// When a change is not taken: because somebody else was faster, or because it is refused.

import { h } from "../dom.js";
import * as words from "../words.js";
import { failure } from "./parts.js";
import { label } from "./printed.js";

const FIELD = {
  title: "the name", note: "the note to the operator", process: "the process", settings: "settings",
  turn_deg: "the position on the bed", scale: "the scale", unit: "the unit", standing: "where supports start",
  weights: "what counts in the total", overrules: "the decision on an underside", show: "the faces to keep clean",
  spare: "the faces supports must not touch", keep_off: "the faces supports must not touch", load_axis: "the load axis", supports_as: "the kind of support object",
  underside_notes: "the note on an underside", programs: "the machine program",
};

function fieldWords(field) {
  const [, group, key] = field.match(/^(?:choices\.)?([^.]+)(?:\.(.+))?$/) || [];
  const said = group === "settings" ? label({ field: key.split(".").at(-1) }) : key;
  return (FIELD[group] || field) + (said ? ` (${said})` : "");
}

function shown(value, field) {
  const [, group] = field.match(/^(?:choices\.)?([^.]+)/) || [];
  if (group === "programs") return value?.[0]?.name || "nothing";
  if (group === "standing" || group === "overrules") return words.STANDING[value] || "automatic";
  if (group === "turn_deg") return words.turned(value || [0, 0, 0]);
  if (Array.isArray(value)) return value.length ? words.counted(value.length, "entry", "entries") : "nothing";
  return value === null || value === undefined || value === "" ? "nothing" : typeof value === "string" ? value : JSON.stringify(value);
}

export function conflictBox(store) {
  if (!store.conflict) return null;
  const { changed } = store.conflict;
  const both = changed.filter((one) => one.both);
  return h("div", { class: "mind conflict", role: "alertdialog", "aria-labelledby": "h-conflict", "data-key": "conflict" },
    h("h3", { id: "h-conflict" }, "Somebody else changed this sheet meanwhile"),
    h("p", {}, both.length
      ? "Both of you changed the same thing. The sheet now shows theirs; yours is kept here until you decide."
      : "Your change and theirs do not touch the same thing. The sheet now shows theirs; yours has not been taken yet."),
    h("table", {}, h("thead", {}, h("tr", {}, ["What", "Yours", "Theirs"].map((t) => h("th", { scope: "col" }, t)))),
      h("tbody", {}, changed.map(({ field, yours, theirs, both: twice }) =>
        h("tr", {}, h("th", { scope: "row" }, fieldWords(field), twice && h("strong", { class: "prop" }, " both")),
          h("td", {}, shown(yours, field)), h("td", {}, shown(theirs, field)))))),
    h("p", { class: "actions" },
      h("button", { type: "button", class: "strong", onclick: () => store.resolve(true) }, both.length ? "Put mine in place of theirs" : "Make my change too"), " ",
      h("button", { type: "button", onclick: () => store.resolve(false) }, "Leave it as it is now")));
}

export function refusedBox(store) {
  if (store.dropped?.length) {
    return h("div", { class: "mind", role: "status", "data-key": "dropped" },
      h("p", {}, `The undersides are numbered anew, so your own decisions on number ${store.dropped.join(", ")} were dropped. Undo brings them back with the part as it lay.`),
      h("p", {}, h("button", { type: "button", onclick: () => { store.dropped = []; store.tell(); } }, "Understood")));
  }
  if (!store.refused) return null;
  const { error, change } = store.refused;
  return h("div", { "data-key": "refused" }, failure(error, () => {
    store.refused = null;
    if (change) store.change(change);
    else store.tell();
  }, change ? "Try again" : "Understood"));
}
