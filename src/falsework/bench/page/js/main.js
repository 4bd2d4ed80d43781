// The page of the bench: which place is shown, files that are dropped, and whether the bench can be reached.

import { BenchError, get, isReachable, onReach, reached, upload } from "./api.js";
import { h, morph } from "./dom.js";
import { LedgerPage } from "./ledger/ledger.js";
import { go, here, onRoute } from "./route.js";
import { SheetPage } from "./sheet/sheet.js";
import { TrayPage } from "./tray.js";
import { TuningPage } from "./tuning/tuning.js";
import * as words from "./words.js";

const place = document.getElementById("place");
const PLACES = {
  "": { word: "Work orders", open: () => new TrayPage(place, { isBusy }) },
  sheets: { open: (path) => (path[1] ? new SheetPage(place, path[1]) : new TrayPage(place, { isBusy })) },
  tuning: { word: "Tuning", open: () => new TuningPage(place) },
  ledger: { word: "Ledger", open: () => new LedgerPage(place) },
};
let bench = null, page = null, pageKey = null;
const uploads = new Set();
let uploadError = null;

// ---- places --------------------------------------------------------------------------------------------------------

function show(route, why) {
  const [name = "", id = ""] = route.path;
  const known = PLACES[name];
  const key = known ? `${name}/${name === "sheets" ? id : ""}` : "?";
  if (key !== pageKey) {
    page?.close();
    pageKey = key;
    isBusy({ running: 0 });
    morph(place);
    page = known ? known.open(route.path) : null;
    if (why !== "load") {
      window.scrollTo(0, 0);
      place.focus({ preventScroll: true });
    }
    if (!page) {
      document.title = "Nothing here: falsework bench";
      morph(place, h("div", { class: "empty" }, h("h1", {}, "There is nothing at this address"), h("p", {}, h("a", { href: "/" }, "To the work orders"))));
    }
  }
  page?.route(route, why);
  head(name);
}

function head(name) {
  const current = name === "sheets" ? "" : name;
  const links = Object.entries(PLACES).filter(([, { word }]) => word);
  morph(document.getElementById("places"), links.map(([key, { word }]) =>
    h("a", { href: `/${key}`, "aria-current": key === current ? "page" : null }, word)));
}

// ---- the bench itself ----------------------------------------------------------------------------------------------

function notices() {
  const some = [];
  if (!isReachable()) {
    some.push(h("div", { class: "notice away", role: "alert", "data-key": "away" },
      h("b", {}, "The bench cannot be reached."), " What you see stays; changes can be made again once it answers. It is tried every few seconds."));
  }
  for (const one of uploads) {
    some.push(h("div", { class: "notice", role: "status", "data-key": `upload-${one.name}` },
      h("span", {}, `${one.name} is being brought in: ${words.share(one.fraction)}`), h("progress", { max: 1, value: one.fraction, "aria-label": `Bringing in ${one.name}` }),
      h("button", { type: "button", class: "quiet", onclick: () => one.stop() }, "Stop")));
  }
  if (uploadError) {
    some.push(h("div", { class: "notice away", role: "alert", "data-key": "upload-error" }, h("span", {}, uploadError), " ",
      h("button", { type: "button", class: "quiet", onclick: () => { uploadError = null; notices(); } }, "Understood")));
  }
  morph(document.getElementById("notices"), some);
}

/** Say how much is at work, beside the places. */
function isBusy({ running, waiting }) {
  document.getElementById("bench-state").textContent = running ? `${words.counted(running, "job")} at work${waiting ? `, ${waiting} waiting` : ""}` : "";
}

async function meet() {
  try {
    bench = await get("/api/bench");
    isBusy(bench.busy);
    return true;
  } catch (error) {
    if (error.status === 401) {
      page?.close();
      morph(place, h("div", { class: "empty" }, h("h1", {}, "This bench needs a fresh address"),
        h("p", {}, "The address you used is used up or too old. Open the bench again from where it was started, or ask for an invitation.")));
      return false;
    }
    return null;
  }
}

onReach((now) => {
  notices();
  if (now) return;
  const again = setInterval(async () => {
    if ((await meet()) !== null) clearInterval(again);
  }, 3000);
});

// ---- files ---------------------------------------------------------------------------------------------------------

/** Bring in one file: it becomes a new work order, or the part of the sheet `replace` ({ id, version }). */
export async function bringIn(file, replace = null) {
  const tail = replace ? `&sheet=${encodeURIComponent(replace.id)}&version=${replace.version}` : "";
  const one = { name: file.name, fraction: 0 };
  uploadError = null;
  if (bench?.limits && file.size > bench.limits.upload_bytes) {
    uploadError = `${file.name}: it has ${words.withUnit(file.size / 1e6, "MB", 0)}, more than the ${words.withUnit(bench.limits.upload_bytes / 1e6, "MB", 0)} that this bench takes. Thin the mesh, or raise the limit when the bench is started.`;
    return notices();
  }
  const { done, stop } = upload(`/api/parts?name=${encodeURIComponent(file.name)}${tail}`, file, (fraction) => {
    one.fraction = fraction;
    notices();
  });
  one.stop = stop;
  uploads.add(one);
  notices();
  try {
    const { sheet } = await done;
    uploads.delete(one);
    if (!replace) go(`/sheets/${sheet.id}`);
  } catch (error) {
    uploads.delete(one);
    if (error instanceof BenchError) uploadError = error.message;
    else if (error.name !== "AbortError") throw error;
  }
  return notices();
}

const cover = document.getElementById("drop-cover");
let over = 0;
const holdsFiles = (event) => [...(event.dataTransfer?.types || [])].includes("Files");
window.addEventListener("dragenter", (event) => {
  if (!holdsFiles(event)) return;
  event.preventDefault();
  over++;
  cover.hidden = false;
});
window.addEventListener("dragleave", (event) => {
  if (holdsFiles(event) && --over <= 0) cover.hidden = true;
});
window.addEventListener("dragover", (event) => holdsFiles(event) && event.preventDefault());
window.addEventListener("drop", (event) => {
  if (!holdsFiles(event)) return;
  event.preventDefault();
  over = 0;
  cover.hidden = true;
  [...event.dataTransfer.files].forEach((file) => bringIn(file));
});
document.getElementById("pick-file").addEventListener("change", (event) => {
  [...event.target.files].forEach((file) => bringIn(file));
  event.target.value = "";
});

// ---- begin ---------------------------------------------------------------------------------------------------------

reached(true);
meet().then((known) => {
  if (known === false) return;
  onRoute(show);
  show(here(), "load");
});
