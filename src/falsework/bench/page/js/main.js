// The page of the bench: which place is shown, files that are dropped, and whether the bench can be reached.

import { fetchCautions } from "./cautions.js";
import { get, isReachable, onReach, reached } from "./api.js";
import { bringAll, bringingNotices, isProgram, limitTo, onBringing, refuse } from "./bringing.js";
import { h, morph } from "./dom.js";
import { ComparePage } from "./sheet/compare.js";
import { LedgerPage } from "./ledger/ledger.js";
import { commandsFrom, openPalette } from "./palette.js";
import { go, here, onRoute } from "./route.js";
import { fetchTerms } from "./sheet/price.js";
import { HistoryPage } from "./sheet/history.js";
import { SheetPage } from "./sheet/sheet.js";
import { TrayPage } from "./tray/tray.js";
import { TuningPage } from "./tuning/tuning.js";
import * as words from "./words.js";

const place = document.getElementById("place");
const PLACES = {
  "": { word: "Work orders", open: () => new TrayPage(place, { isBusy }) },
  sheets: { open: (path) => (!path[1] ? new TrayPage(place, { isBusy }) : isHistory(path) ? new HistoryPage(place, path[1]) : new SheetPage(place, path[1])) },
  compare: { open: (path) => new ComparePage(place, path[1], path[2]) },
  tuning: { word: "Tuning", open: () => new TuningPage(place) },
  ledger: { word: "Ledger", open: () => new LedgerPage(place) },
};
const isHistory = (path) => path[0] === "sheets" && path[2] === "history";
let page = null, pageKey = null, screenings = false; // these have a page of their own, where there are any

// ---- places --------------------------------------------------------------------------------------------------------

function show(route, why) {
  const [name = "", id = ""] = route.path;
  const known = PLACES[name];
  const which = { sheets: id, compare: route.path.slice(1, 3).join("/") }[name] || "";
  const key = known ? `${name}/${which}${isHistory(route.path) ? "/history" : ""}` : "?";
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
  const current = name === "sheets" || name === "compare" ? "" : name;
  const links = Object.entries(PLACES).filter(([, { word }]) => word);
  morph(document.getElementById("places"), [
    ...links.map(([key, { word }]) => h("a", { href: `/${key}`, "aria-current": key === current ? "page" : null }, word)),
    screenings && h("a", { href: "/screenings", target: "_self" }, "Screenings"),
  ]);
}

commandsFrom(() => [
  ...(page?.commands?.() || []),
  ...Object.entries(PLACES).filter(([, { word }]) => word).map(([key, { word }]) => ({ name: `Go to ${word.toLowerCase()}`, run: () => go(`/${key}`) })),
  ...(screenings ? [{ name: "Go to screenings", run: () => location.assign("/screenings") }] : []),
]);
document.getElementById("by-name").addEventListener("click", openPalette);

// ---- the bench itself ----------------------------------------------------------------------------------------------

function notices() {
  const some = [];
  if (!isReachable()) {
    some.push(h("div", { class: "notice away", role: "alert", "data-key": "away" },
      h("b", {}, "The bench cannot be reached."), " What you see stays, and what you write is kept in this browser until it answers. It is tried every few seconds."));
  }
  some.push(...bringingNotices());
  morph(document.getElementById("notices"), some);
}

/** Say how much is at work, beside the places. */
function isBusy({ running, waiting }) {
  document.getElementById("bench-state").textContent = running ? `${words.counted(running, "job")} at work${waiting ? `, ${waiting} waiting` : ""}` : "";
}

async function meet() {
  try {
    const [bench] = await Promise.all([get("/api/bench"), fetchCautions(), fetchTerms()]);
    isBusy(bench.busy);
    limitTo(bench.limits.upload_bytes);
    screenings = bench.places.screenings;
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

const cover = document.getElementById("drop-cover");
let over = 0;

/** Parts begin work orders; a machine program goes to the sheet that is open. */
function take(files, onto) {
  const onProgram = onto?.closest?.("[data-takes='program']");
  const programs = files.filter((file) => isProgram(file.name) || onProgram);
  bringAll(files.filter((file) => !programs.includes(file)));
  for (const file of programs) {
    if (page?.takeProgram) page.takeProgram(file);
    else refuse(`${file.name} is a machine program. Open the work order of the part that it prints, and drop it there; or drop the part first.`);
  }
}
const holdsFiles = (event) => [...(event.dataTransfer?.types || [])].includes("Files");
window.addEventListener("dragenter", (event) => {
  if (!holdsFiles(event)) return;
  event.preventDefault();
  over++;
  const letGo = page?.takeProgram ? "Let go: each part begins a work order, a machine program is audited on this one." : "Let go: each part begins a work order.";
  cover.firstElementChild.textContent = letGo;
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
  take([...event.dataTransfer.files], event.target);
});
document.getElementById("pick-file").addEventListener("change", (event) => {
  take([...event.target.files]);
  event.target.value = "";
});

// ---- begin ---------------------------------------------------------------------------------------------------------

onBringing(notices);
reached(true);
meet().then((known) => {
  if (known === false) return;
  onRoute(show);
  show(here(), "load");
});
