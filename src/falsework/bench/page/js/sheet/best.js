// The head of the sheet: of all that was worked out and proved, the best thing to do, with a button that does it.

import { h } from "../dom.js";
import * as words from "../words.js";
import { takeFiles } from "./foot.js";
import { atWork, progress } from "./parts.js";
import { priceNow, total } from "./price.js";
import { takeButtons, takeRedrawn } from "./taking.js";

const WORTH = 0.98; // what saves less than two per cent is not worth a word

const instead = (then, now) => `${words.price(then)} instead of ${words.price(now)}`;

/** Ways that were proved by a whole plan, the cheapest first: `{ price, said, buttons }`. */
function ways(page, now) {
  const { store } = page, some = [];
  const lies = store.result("lies", "lies.json");
  if (lies.value && !lies.stale) {
    const { recommended } = lies.value;
    const turn = store.choices.turn_deg || [0, 0, 0], laid = recommended.turn_deg.every((t, k) => Math.abs(t - turn[k]) < 1e-6);
    if (!laid && recommended.proof && total(recommended.price) < WORTH * now) {
      const none = recommended.needs_no_support ? "no support, " : "";
      some.push({
        price: total(recommended.price),
        said: `Print it in another position: ${none}${instead(total(recommended.price), now)}.`,
        buttons: () => takeButtons(page, { turn_deg: recommended.turn_deg }, "other position", { strong: true, word: "Take it" }),
      });
    }
  }
  const redrawn = store.result("redraw", "words.json");
  const way = redrawn.value && !redrawn.stale && redrawn.value.best === "redraw" && redrawn.value.after;
  if (way && way < WORTH * redrawn.value.before) {
    some.push({
      price: now + way - redrawn.value.before,
      said: `Redraw it as proposed below: ${instead(way, redrawn.value.before)}.`, buttons: () => takeRedrawn(page),
    });
  }
  return some.sort((a, b) => a.price - b.price);
}

/** What is not looked for yet. */
function open(store) {
  const searched = store.stage("lies").state === "ready";
  return searched ? null : h("p", { class: "no-print" },
    h("button", { type: "button", class: "strong", disabled: store.stage("part").state !== "ready", onclick: () => store.ask("lies") }, "Look for something better"),
    h("span", { class: "sub" }, " Other positions are planned whole and compared by price; it takes about fifteen times as long as this plan."));
}

export function best(page) {
  const { store } = page, price = priceNow(store);
  if (!price) return null;
  const now = total(price), [first] = ways(page, now), stage = store.stage("lies");
  const said = first ? [h("p", { class: "verdict" }, first.said), h("p", { class: "no-print" }, first.buttons())]
    : stage.state === "ready" ? h("p", {}, `Nothing better was found among ${words.counted((store.value("lies", "lies.json")?.front || []).length, "position")} that were planned whole: as it stands its total is ${words.price(now)}.`)
      : null;
  return h("div", { class: "best", role: "region", "aria-label": "The best thing to do", "data-key": "best" },
    h("p", { class: "no-print" }, takeFiles(page), h("span", { class: "sub" }, " print.3mf: the part and its supports, placed on the bed.")),
    said, atWork(stage) ? progress(store, "lies", "the search for better positions") : stage.state === "failed" ? null : open(store));
}
