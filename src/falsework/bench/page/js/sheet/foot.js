// The strip at the foot of the sheet: what it comes to now, what changed, what is at work, and undo.

import { isReachable } from "../api.js";
import { h, unseen } from "../dom.js";
import { address } from "../route.js";
import { conflictBox, refusedBox } from "./conflict.js";
import { atWork } from "./parts.js";
import { termsOf, total } from "./price.js";
import { STAGES } from "./store.js";
import * as words from "../words.js";

const STAGE_WORDS = {
  part: "measuring the part", undersides: "finding undersides", totals: "adding up", supports: "building supports",
  release: "judging how they come off", lies: "searching for better positions", remedies: "trying changes", files: "writing files",
  patches: "finding whole faces", faces: "finding bores and mating faces", redraw: "drawing changes to the part", audit: "auditing the program",
};

/** Totals from the best that is known: as built, else as estimated; with what rests on older choices marked. */
export function totalsOf(store) {
  const totals = store.result("totals", "totals.json"), built = store.result("supports", "supports.json");
  const inspection = store.result("undersides", "inspection.json");
  if (!totals.value && !built.value) return null;
  const asBuilt = built.value && (!built.stale || !totals.value || totals.stale);
  const choices = asBuilt ? built.value.choices : totals.value.choices;
  const part = asBuilt ? built.value.part_cost : totals.value.part_cost;
  const chosen = totals.value?.alternatives.find((a) => a.name === "chosen");
  const support = asBuilt ? built.value.support_cost : chosen?.cost;
  if (!support) return null;
  const undersides = (asBuilt ? built.value.undersides : inspection.value?.undersides) || [];
  const standing = new Map(choices.map((c) => [c.underside, c.chosen]));
  const left = undersides.filter((u) => (standing.get(u.number) || "leave") === "leave");
  const worst = left.reduce((a, b) => (!a || b.droop_mm.value > a.droop_mm.value ? b : a), null);
  return {
    time: part.time_s + support.time_s, mass: part.mass_g + support.mass_g, support, price: allIn(store, asBuilt, chosen),
    undersides: undersides.length, supported: undersides.length - left.length, worst,
    estimated: !asBuilt, stale: asBuilt ? built.stale : totals.stale,
  };
}

/** The one price: of the whole plan where there is one, else of what is chosen as it is estimated. */
function allIn(store, asBuilt, chosen) {
  const whole = store.result("release", "plan.json"), built = store.result("supports", "supports.json").value;
  if (asBuilt) return (whole.value && !whole.stale ? whole.value : built).price;
  return chosen?.price || null;
}

function figure(name, value, remark, before, stale) {
  return h("div", { class: stale ? "stale" : null }, h("dt", {}, name),
    h("dd", {}, h("b", {}, value), before && before !== value ? h("s", { class: "before" }, unseen("before: "), before) : null,
      remark && (typeof remark === "string" ? h("span", {}, remark) : remark)));
}

/** The figures before the last change, so that its effect can be seen. */
function remembered(page, now) {
  if (!now) return null;
  const state = JSON.stringify([page.store.sheet.version, page.store.pending.length]);
  if (page.footState !== state) {
    page.footState = state;
    page.footBefore = page.footNow || null;
  }
  page.footNow = now;
  return page.footBefore;
}

/** The price's terms, one click away. */
const termsBox = (price) => h("details", { class: "terms-box", "data-key": "terms" }, h("summary", {}, "its terms"),
  h("ul", {}, termsOf(price).map(([term, text]) => h("li", {}, h("span", {}, term), " ", h("b", {}, text)))));

/** From here to the files: written when asked for, then taken. */
export function takeFiles(page) {
  const { store } = page, stage = store.stage("files"), failed = STAGES.some((name) => store.stage(name).state === "failed");
  if (stage.state === "ready") return h("a", { class: "button strong", href: `${store.url("/files/")}print.3mf`, download: "", "data-key": "take" }, "Take print.3mf");
  return h("button", { type: "button", class: "strong", "data-key": "take", disabled: failed || atWork(stage), onclick: () => page.takeFiles() },
    atWork(stage) ? "Writing the files…" : "Take the files");
}

export function footStrip(page) {
  const { store } = page, { undo } = store.sheet;
  const now = totalsOf(store), before = remembered(page, now);
  const about = now?.estimated ? "about " : "";
  const value = (t, key, say) => (t ? say(t[key]) : null);
  const busy = store.working[0], states = STAGES.map((name) => store.stage(name).state);
  const halted = states.includes("idle") && states.every((state) => state === "idle" || state === "ready"); // by somebody's hand
  return h("aside", { class: "foot no-print", "aria-label": "Totals", "data-key": "foot" },
    conflictBox(store), refusedBox(store), // where they are seen wherever one is
    h("dl", { class: "foot-figures" },
      now ? [
        figure("Machine time", about + words.duration(now.time), `support ${words.duration(now.support.time_s)}`, before && (before.estimated ? "about " : "") + value(before, "time", words.duration), now.stale),
        figure("Filament", about + words.mass(now.mass), `support ${words.mass(now.support.mass_g)}`, before && (before.estimated ? "about " : "") + value(before, "mass", words.mass), now.stale),
        now.price && figure("Total price", about + words.price(total(now.price)), termsBox(now.price), before?.price && (before.estimated ? "about " : "") + words.price(total(before.price)), now.stale),
        figure("Supported", `${now.supported} of ${now.undersides}`, words.counted(now.undersides - now.supported, "left without support", "left without support"), before && `${before.supported} of ${before.undersides}`, now.stale),
        now.worst && figure("Greatest sag left", words.withUnit(now.worst.droop_mm.value, "mm"), `number ${now.worst.number}; 90\u00a0%: ${words.interval(now.worst.droop_mm, "mm")}`, null, now.stale),
      ] : h("div", {}, h("dt", {}, "Totals"), h("dd", {}, h("b", {}, "…"), h("span", {}, "not worked out yet")))),
    h("div", { class: "foot-work" }, // with keys: a press that began on one button must not end on what took its place
      takeFiles(page),
      h("p", { class: "working", role: "status" },
        !isReachable() ? "The bench cannot be reached" : busy
          ? `${words.sentence(STAGE_WORDS[busy[0]] || busy[0]).slice(0, -1)}${busy[1].state === "running" ? `, ${Math.round(100 * (busy[1].fraction || 0))} %` : ": queued"}`
          : store.pending.length ? "Being sent…" : halted ? "Stopped: not all of it is up to date" : store.fetching ? "Being fetched…" : now?.stale ? "Out of date" : now ? "Up to date" : ""),
      busy ? h("button", { type: "button", class: "quiet", "data-key": "stop", onclick: () => store.stop(busy[0]) }, "Stop") : null,
      halted ? h("button", { type: "button", class: "quiet", "data-key": "on", onclick: () => store.ask("release") }, "Go on") : null,
      h("button", { type: "button", class: "quiet", "data-key": "undo", disabled: !undo?.what, title: undo?.what ? `Undo: ${undo.what}` : null, onclick: () => page.undo() }, "Undo", undo?.what && unseen(` ${undo.what}`)),
      h("button", { type: "button", class: "quiet", "data-key": "redo", disabled: !undo?.redo, title: undo?.redo ? `Redo: ${undo.redo}` : null, onclick: () => page.redo() }, "Redo", undo?.redo && unseen(` ${undo.redo}`)),
      h("a", { class: "button quiet", href: address(["sheets", store.id, "history"]) }, "History")));
}
