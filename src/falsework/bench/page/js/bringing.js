// Files that are brought in: dropped or chosen, with progress, a way to stop, and what is wrong with them.

import { BenchError, upload } from "./api.js";
import { h, unseen } from "./dom.js";
import { go } from "./route.js";
import * as words from "./words.js";

const PROGRAM = /\.(gcode|gco|g|nc|ngc|tap)$|\.(gz|zip)$/i;
/** What a file dialogue offers for machine programs. */
export const PROGRAM_FILES = ".gcode,.gco,.g,.nc,.ngc,.tap,.gz,.zip,text/plain";

const AT_ONCE = 2; // uploads: a browser has six connections to one server, and the page needs some
const coming = []; // files on their way, in the order in which they were brought
let wrong = [], mostBytes = Infinity, tell = () => {};

/** `told` is called whenever the notices of files change. */
export const onBringing = (told) => { tell = told; };
export const limitTo = (bytes) => { mostBytes = bytes; };
/** The largest file that the bench takes, in bytes. */
export const limit = () => mostBytes;

/** Whether a file is a machine program, by its name: everything else is taken for a part. */
export const isProgram = (name) => PROGRAM.test(name);

/** A file's turn: it waits while `AT_ONCE` others are being sent. */
function turn(one) {
  coming.push(one);
  const turns = new Promise((resolve) => { one.begin = resolve; });
  onward();
  return turns;
}

function onward() {
  const sending = coming.filter((one) => one.sending).length;
  coming.filter((one) => !one.sending).slice(0, Math.max(0, AT_ONCE - sending)).forEach((one) => {
    one.sending = true;
    one.begin();
  });
  tell();
}

/** Send a file with progress. `moved(fraction)` is called as it goes; `cure` is what to do if it is too large. */
async function carry(file, path, cure, moved = () => {}) {
  if (file.size > mostBytes) {
    const [has, takes] = [file.size, mostBytes].map((bytes) => words.withUnit(bytes / 1e6, "MB", 0));
    throw new BenchError(413, { error: { subject: file.name, wrong: `it has ${has}, more than the ${takes} that this bench takes`, cure } });
  }
  const one = { name: file.name, fraction: 0, number: (numbered += 1) };
  const stopped = new Promise((_, reject) => { one.stop = () => reject(new DOMException("stopped", "AbortError")); });
  try {
    await Promise.race([turn(one), stopped]);
    const { done, stop } = upload(path, file, (fraction) => {
      one.fraction = fraction;
      moved(fraction);
      tell();
    });
    one.stop = stop;
    return await done;
  } finally {
    coming.splice(coming.indexOf(one), 1);
    onward();
  }
}
let numbered = 0;

/** Bring in a part: it becomes a new work order, or the part of the sheet `replace` ({ id, version }). Its sheet. */
async function bring(file, replace) {
  const tail = replace ? `&sheet=${encodeURIComponent(replace.id)}&version=${replace.version}` : "";
  try {
    const path = `/api/parts?name=${encodeURIComponent(file.name)}${tail}`;
    return (await carry(file, path, "Thin the mesh, or raise the limit when the bench is started")).sheet;
  } catch (error) {
    if (error instanceof BenchError) refuse(error.message);
    else if (error.name !== "AbortError") throw error;
    return null;
  }
}

/** Bring in a part, and open its work order. */
export async function bringIn(file, replace = null) {
  wrong = [];
  const sheet = await bring(file, replace);
  if (sheet && !replace) go(`/sheets/${sheet.id}`);
}

/** Bring in parts: one is opened, of several the tray shows how they get on. */
export async function bringAll(files) {
  if (files.length < 2) return files.length ? bringIn(files[0]) : undefined;
  wrong = [];
  go("/");
  return Promise.all(files.map((file) => bring(file, null)));
}

/** Bring in a machine program: `{ digest, name, bytes }`; no sheet has it yet. */
export function bringProgram(file, moved) {
  const cure = "Pack it with gzip, or raise the limit when the bench is started";
  return carry(file, `/api/programs?name=${encodeURIComponent(file.name)}`, cure, moved);
}

/** Say at the head of the page what is wrong with a file. */
export function refuse(text) {
  wrong.push(text);
  tell();
}

/** What there is to say about files on their way. */
export function bringingNotices() {
  const some = coming.map((one) => h("div", { class: "notice", "data-key": `upload-${one.number}` },
    h("span", {}, one.sending ? `${one.name} is being brought in: ${words.share(one.fraction)}` : `${one.name} waits to be brought in`),
    h("progress", { max: 1, value: one.fraction, "aria-label": `Bringing in ${one.name}` }),
    h("button", { type: "button", class: "quiet", onclick: () => one.stop() }, "Stop", unseen(` bringing in ${one.name}`))));
  if (wrong.length) {
    some.push(h("div", { class: "notice away", role: "alert", "data-key": "upload-error" }, wrong.map((text) => h("p", {}, text)),
      h("button", { type: "button", class: "quiet", onclick: () => { wrong = []; tell(); } }, "Understood")));
  }
  return some;
}
