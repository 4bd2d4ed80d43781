// Cautions, as the bench tells them: one module of it holds them all.

import { get } from "./api.js";
import { h } from "./dom.js";

let told = null;

/** Fetch them, once. */
export async function fetchCautions() {
  told ||= await get("/api/cautions");
}

/** Those of some tasks ("print", "take off", "rework", "use", "turn"), or a list of their own; then whose rules come first. */
export function cautionList(tasks, own = null) {
  if (!told) return null;
  const found = own || tasks.flatMap((task) => told.tasks[task]);
  return h("div", {}, h("ul", { class: "cautions" }, found.map(({ head, text }) => h("li", {}, h("b", {}, `${head}: `), `${text}.`))),
    h("p", { class: "sub" }, told.rules));
}

/** The same as a section of a page. */
export const cautionSection = (tasks, own = null) =>
  h("section", { "aria-labelledby": "h-cautions" }, h("h2", { id: "h-cautions" }, "Cautions"), cautionList(tasks, own));
