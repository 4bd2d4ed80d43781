// Pieces that several sections of the sheet share.

import { h, s } from "../dom.js";
import * as words from "../words.js";

/** What a stage is doing, in words for the margin. */
export function stateWords(stage) {
  switch (stage.state) {
    case "ready": return "done";
    case "running": return `${Math.round(100 * (stage.fraction || 0))}\u00a0%`;
    case "queued": return stage.ahead ? `${words.counted(stage.ahead, "job", "jobs")} before it` : "its turn comes";
    case "waiting": return "waits";
    case "failed": return "failed";
    default: return "not asked";
  }
}

export const atWork = (stage) => stage.state === "running" || stage.state === "queued" || stage.state === "waiting";

/** A bar that fills, with its words and a way to stop. */
export function progress(store, name, doing) {
  const stage = store.stage(name);
  const fraction = stage.fraction || 0;
  const step = stage.state === "waiting" ? "waits for what comes before it" : stage.state === "queued" ? stateWords(stage) : stage.step || "beginning";
  return h("div", { class: "progress", "data-key": `progress-${name}` },
    h("progress", { max: 1, value: fraction, "aria-label": doing }),
    h("span", {}, `${doing}: ${step}${stage.state === "running" ? `, ${Math.round(100 * fraction)} %` : ""}`),
    h("button", { type: "button", class: "quiet", onclick: () => store.stop(name) }, `Stop ${doing}`));
}

/** An error in the one shape, with a way to try again. */
export function failure(error, again, word = "Try again") {
  return h("div", { class: "mind", role: "alert" },
    h("h3", {}, error?.subject || "It failed"),
    h("p", {}, `${words.sentence(error?.wrong || "no reason was given")} ${words.sentence(error?.cure || "")}`),
    again && h("p", {}, h("button", { type: "button", onclick: again }, word)));
}

/** Shown where figures rest on choices that have changed since. */
export const staleMark = () => h("span", { class: "stale-mark" }, "out of date");

/** A section's body while there is nothing to show yet: ruled lines, as on a form not filled in. */
export const unfilled = (text) =>
  h("div", { class: "unfilled" }, h("p", {}, text), h("span", { class: "ruled", "aria-hidden": "true" }));

/**
 * What stands in place of a result: an error, progress, or empty lines; null once there is something to show.
 * `stages` in the order in which they rest on each other.
 */
export function instead(store, stages, have, doing, empty) {
  for (const name of stages) {
    const stage = store.stage(name);
    if (stage.state === "failed") return failure(stage.error, () => store.ask(name));
  }
  const name = stages.at(-1);
  if (have) return null;
  const busy = stages.map((one) => store.stage(one)).find((stage) => stage.state === "running" || stage.state === "queued");
  if (busy || atWork(store.stage(name))) return h("div", {}, unfilled(empty), progress(store, name, doing));
  if (store.stage(name).state === "ready") return unfilled("Being fetched…");
  return h("div", {}, unfilled(empty), h("p", {}, h("button", { type: "button", onclick: () => store.ask(name) }, `Begin ${doing}`)));
}

/** A table that may be wider than the page: it scrolls by itself and can be reached by keyboard. */
export const scroll = (label, ...children) =>
  h("div", { class: "scroll", role: "region", "aria-label": label, tabindex: 0 }, ...children);

/** An interval as a bar on a logarithmic droop scale: a line from low to high, a dot at the middle. */
export function intervalBar(estimate, position, fill) {
  const x = (v) => 4 + 92 * position(v);
  return s("svg", { class: "interval", viewBox: "0 0 100 12", "aria-hidden": "true" },
    s("path", { class: "interval-rule", d: "M4 10.5H96" }),
    s("path", { class: "whisker", d: `M${x(estimate.low).toFixed(1)} 6H${x(estimate.high).toFixed(1)}` }),
    s("circle", { class: "mark-dot", cx: x(estimate.value).toFixed(1), cy: 6, r: 3.6, fill }));
}
