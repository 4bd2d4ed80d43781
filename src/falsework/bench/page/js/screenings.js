// Screenings: how far one is, its parts with pictures as they arrive, pause and stop, any part opened as an order.

import { BenchError, get, post, remove } from "./api.js";
import { h } from "./dom.js";
import * as words from "./words.js";

const byId = (id) => document.getElementById(id);
const EVERY_MS = 1500, MOST_CARDS = 200;
const signs = { "ready": "✓", "not ready": "✕", "failed": "!", "looked at": "○" };
let chosen = location.hash.slice(1), seen = 0, was = "", cards = [];

// One after the other: what is removed is not asked for meanwhile.
let last = Promise.resolve();
const inTurn = (work) => (last = last.then(work, work));

async function tried(work) {
  try {
    byId("wrong").textContent = "";
    return await work();
  } catch (error) {
    if (!(error instanceof BenchError)) throw error;
    byId("wrong").textContent = error.message;
    return null;
  }
}

function card(row) {
  const digits = row.picture.split("/").slice(1).join("").replace(".png", "");
  const picture = row.picture
    ? h("img", { src: `/api/screenings/${chosen}/pictures/${digits}.png`, alt: `${row.name} from below`, loading: "lazy" })
    : h("div", { class: "none" });
  const figures = row.price === null ? row.why
    : `${words.number(row.price, 2)} ¤, supports ${words.withUnit(row.support_g, "g", 1)} of ${words.withUnit(row.support_g + row.part_g, "g", 1)}`;
  const best = row.best_process === row.process ? " ★" : "";
  return h("li", {}, picture, h("b", {}, row.name), h("p", {}, `${signs[row.state]} ${row.state} · ${row.process}${best}`),
    h("p", {}, figures), row.price !== null && row.why ? h("p", {}, row.why) : null,
    row.state === "failed" ? null : h("button", { type: "button", onclick: () => open(row) }, "Open as an order"));
}

const open = (row) => tried(async () => {
  const made = await post(`/api/screenings/${chosen}/open`, { file: row.file });
  location.href = `/sheets/${made.sheet.id}`;
});

async function table() {
  const found = await tried(() => get(`/api/screenings/${chosen}/rows?state=${encodeURIComponent(byId("state").value)}`));
  if (!found) return;
  cards = found.rows;
  byId("parts").replaceChildren(...cards.map(card));
}

async function look() {
  if (!chosen) return;
  const run = await tried(() => get(`/api/screenings/${chosen}?after=${seen}`));
  if (!run) return;
  byId("run").hidden = false;
  byId("run-title").textContent = `${run.catalogue}: ${run.processes.join(", ")}, depth ${run.depth}`;
  const states = Object.entries(run.states).map(([state, count]) => `${count} ${state}`).join(", ");
  const of = run.whole ? ` of ${run.listed}` : "";
  byId("run-said").textContent = `${run.state}: ${run.done}${of} parts${states ? ` (${states})` : ""}${run.wrong ? `. ${run.wrong}` : ""}`;
  byId("run-share").value = run.state === "done" ? 1 : run.whole && run.listed ? run.done / run.listed : 0;
  byId("pause").disabled = run.state !== "running";
  byId("resume").disabled = run.state === "running";
  if (run.state === "running") {
    if (run.rows.length) {
      seen = run.rows.at(-1).number;
      cards = [...run.rows.reverse(), ...(was === "running" ? cards : [])].slice(0, MOST_CARDS);
      byId("parts").replaceChildren(...cards.map(card));
    }
  } else if (was !== run.state) await table();
  was = run.state;
}

async function list() {
  const told = await tried(() => get("/api/screenings"));
  if (!told) return;
  byId("none").hidden = told.catalogues.length > 0;
  byId("begin").hidden = !told.catalogues.length;
  byId("catalogue").replaceChildren(...told.catalogues.map((name) => h("option", {}, name)));
  chosen ||= told.screenings[0]?.id || "";
  byId("runs").replaceChildren(...told.screenings.map((run) => h("button", {
    type: "button", "aria-current": run.id === chosen ? "true" : null, onclick: () => inTurn(() => choose(run.id)),
  }, `${run.catalogue}, ${run.depth}, ${new Date(1000 * run.began).toLocaleString()}`)));
}

async function choose(id) {
  [chosen, seen, was, cards] = [id, 0, "", []];
  history.replaceState(null, "", `#${id}`);
  byId("parts").replaceChildren();
  byId("run").hidden = !id;
  await list();
  await look();
}

byId("begin").addEventListener("submit", (event) => {
  event.preventDefault();
  const processes = [...byId("process").selectedOptions].map((one) => one.value);
  inTurn(() => tried(async () => {
    const asked = { catalogue: byId("catalogue").value, processes, depth: byId("depth").value };
    await choose((await post("/api/screenings", asked)).id);
  }));
});
byId("pause").addEventListener("click", () => inTurn(() => tried(() => post(`/api/screenings/${chosen}/pause`)).then(look)));
byId("resume").addEventListener("click", () => inTurn(() => tried(() => post(`/api/screenings/${chosen}/resume`)).then(look)));
byId("forget").addEventListener("click", () => inTurn(() => tried(() => remove(`/api/screenings/${chosen}`)).then(() => choose(""))));
byId("state").addEventListener("change", () => inTurn(table));

const known = await tried(() => get("/api/processes"));
byId("process").replaceChildren(...(known?.processes || []).map(({ name }) => h("option", { value: name, selected: name === "pla-0.4" }, name)));
await inTurn(list);
await inTurn(look);
document.documentElement.dataset.ready = "yes";
setInterval(() => inTurn(look), EVERY_MS);
