// The one price: its terms and their sum, the same wherever a total is shown.

import { h } from "../dom.js";
import * as words from "../words.js";

const TERMS = [
  ["filament", "Filament"], ["time", "Machine time"], ["finish", "Sag and marks of supports"], ["scars", "Part surface marked by support feet"],
  ["show", "Faces to keep clean"], ["hands", "Hand work"], ["inside", "Support that stays inside"], ["risk", "Risk that it fails"], ["strength", "Load across the layers"],
];

export const total = (price) => Object.values(price).reduce((sum, term) => sum + term, 0);

/** The terms that are not nothing, and their sum last. */
export function termsOf(price) {
  return [...TERMS.filter(([key]) => price[key] > 0).map(([key, name]) => [name, words.price(price[key])]), ["Total price", words.price(total(price))]];
}

/** The total; its terms open beneath. */
export function opened(price, name = "Total") {
  return h("details", { class: "price-terms" }, h("summary", {}, `${name} ${words.price(total(price))}`),
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
