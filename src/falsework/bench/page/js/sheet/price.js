// The one price: its terms and their sum, the same wherever a total is shown.

import { get } from "../api.js";
import { h } from "../dom.js";
import * as words from "../words.js";

let names = {}; // of the terms, in their order

/** Fetch what the terms are called, once. */
export async function fetchTerms() {
  names = (await get("/api/registry")).price;
}

export const total = (price) => Object.values(price).reduce((sum, term) => sum + term, 0);

const capital = (text) => text[0].toUpperCase() + text.slice(1);

/** The terms that are not nothing, those in `without` left out, and their sum last. */
export function termsOf(price, without = []) {
  const some = Object.entries(names).filter(([key]) => price[key] > 0 && !without.includes(key));
  return [...some.map(([key, name]) => [capital(name), words.price(price[key])]), ["Total price", words.price(total(price))]];
}

/** The total; its terms open beneath. */
export function opened(price, name = "Total") {
  return h("details", { class: "price-terms" }, h("summary", {}, `${name} ${words.price(total(price))}`.trim()),
    h("ul", {}, termsOf(price).map(([term, text]) => h("li", {}, `${term}: ${text}`))));
}

/** What the sheet comes to as it stands: the plan's one price. */
export function priceNow(store) {
  for (const [stage, file] of [["release", "plan.json"], ["supports", "supports.json"]]) {
    const { value, stale } = store.result(stage, file);
    if (value?.price && !stale) return value.price;
  }
  return null;
}
