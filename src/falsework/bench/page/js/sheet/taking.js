// A way to do it otherwise, taken with one button: on this sheet, or as a second sheet beside it.

import { post } from "../api.js";
import { h, unseen } from "../dom.js";
import { multiplied, turnMatrix } from "../figure/eye.js";
import { address, go } from "../route.js";

/** Turns about x, then y, then z (degrees) of a rotation given as nine numbers row by row. */
export function turnsOf(m) {
  const deg = 180 / Math.PI, y = Math.asin(Math.max(-1, Math.min(1, -m[6])));
  const upright = Math.abs(m[6]) > 1 - 1e-12; // x and z turn about the same axis: all of it is x's
  const x = upright ? Math.atan2(-m[5], m[4]) : Math.atan2(m[7], m[8]);
  const z = upright ? 0 : Math.atan2(m[3], m[0]);
  return [x, y, z].map((v) => Number((v * deg).toFixed(6)) + 0);
}

/** The choices that make a remedy (its `takes`) of a part that lies turned so. */
export function choicesOf(takes, turnDeg) {
  return {
    ...(takes.settings.length ? { settings: Object.fromEntries(takes.settings) } : {}),
    ...(takes.overrules.length ? { overrules: Object.fromEntries(takes.overrules) } : {}),
    ...(takes.turn_deg ? { turn_deg: turnsOf(multiplied(turnMatrix(takes.turn_deg), turnMatrix(turnDeg))) } : {}),
  };
}

/** Open a second sheet beside this one: with these choices. */
export async function openBeside(page, choices, name) {
  const { store } = page;
  try {
    const made = await post(store.url("/copy"), { title: `${store.sheet.title.slice(0, 150)}, ${name.slice(0, 40)}`, choices });
    go(address(["compare", store.id, made.id]));
  } catch (error) {
    store.refused = { error };
    store.tell();
  }
}

/** Both buttons; `name` says what is taken. */
export const takeButtons = (page, choices, name, { strong = false, word = "Take it" } = {}) => [
  h("button", { type: "button", class: strong ? "strong" : "quiet", onclick: () => page.store.choose(choices) }, word, unseen(`: ${name}`)), " ",
  h("button", { type: "button", class: strong ? null : "quiet", onclick: () => openBeside(page, choices, name) }, "Open it beside this one", unseen(`: ${name}`))];

/** The same for the redrawn part. */
export function takeRedrawn(page) {
  const { store } = page;
  const take = async (beside) => {
    try {
      const made = await post(store.url("/redrawn"), { version: store.sheet.version, beside });
      if (beside) go(address(["compare", store.id, made.id]));
      else store.take(made);
    } catch (error) {
      store.refused = { error };
      store.tell();
    }
  };
  return [
    h("button", { type: "button", class: "strong", onclick: () => take(false) }, "Go on with the redrawn part"), " ",
    h("button", { type: "button", onclick: () => take(true) }, "Open it beside this one", unseen(": the redrawn part"))];
}
