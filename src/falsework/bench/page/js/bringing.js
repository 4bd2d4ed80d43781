// Files that are brought in: dropped or chosen, with progress, a way to stop, and what is wrong with them.

import { BenchError, upload } from "./api.js";
import { h } from "./dom.js";
import { go } from "./route.js";
import * as words from "./words.js";

const PROGRAM = /\.(gcode|gco|g|nc|ngc|tap)$|\.(gz|zip)$/i;
/** What a file dialogue offers for machine programs. */
export const PROGRAM_FILES = ".gcode,.gco,.g,.nc,.ngc,.tap,.gz,.zip,text/plain";

const uploads = new Set();
let wrong = null, mostBytes = Infinity, tell = () => {};

/** `told` is called whenever the notices of files change. */
export const onBringing = (told) => { tell = told; };
export const limitTo = (bytes) => { mostBytes = bytes; };
/** The largest file that the bench takes, in bytes. */
export const limit = () => mostBytes;

/** Whether a file is a machine program, by its name: everything else is taken for a part. */
export const isProgram = (name) => PROGRAM.test(name);

/** Send a file with progress. `moved(fraction)` is called as it goes; `cure` is what to do if it is too large. */
async function carry(file, path, cure, moved = () => {}) {
  if (file.size > mostBytes) {
    const [has, takes] = [file.size, mostBytes].map((bytes) => words.withUnit(bytes / 1e6, "MB", 0));
    throw new BenchError(413, { error: { subject: file.name, wrong: `it has ${has}, more than the ${takes} that this bench takes`, cure } });
  }
  const one = { name: file.name, fraction: 0 };
  const { done, stop } = upload(path, file, (fraction) => {
    one.fraction = fraction;
    moved(fraction);
    tell();
  });
  one.stop = stop;
  uploads.add(one);
  tell();
  try {
    return await done;
  } finally {
    uploads.delete(one);
    tell();
  }
}

/** Bring in a part: it becomes a new work order, or the part of the sheet `replace` ({ id, version }). */
export async function bringIn(file, replace = null) {
  const tail = replace ? `&sheet=${encodeURIComponent(replace.id)}&version=${replace.version}` : "";
  wrong = null;
  try {
    const path = `/api/parts?name=${encodeURIComponent(file.name)}${tail}`;
    const { sheet } = await carry(file, path, "Thin the mesh, or raise the limit when the bench is started");
    if (!replace) go(`/sheets/${sheet.id}`);
  } catch (error) {
    if (error instanceof BenchError) refuse(error.message);
    else if (error.name !== "AbortError") throw error;
  }
}

/** Bring in a machine program: `{ digest, name, bytes }`; no sheet has it yet. */
export function bringProgram(file, moved) {
  const cure = "Pack it with gzip, or raise the limit when the bench is started";
  return carry(file, `/api/programs?name=${encodeURIComponent(file.name)}`, cure, moved);
}

/** Say at the head of the page what is wrong with a file. */
export function refuse(text) {
  wrong = text;
  tell();
}

/** What there is to say about files on their way. */
export function bringingNotices() {
  const some = [...uploads].map((one) => h("div", { class: "notice", role: "status", "data-key": `upload-${one.name}` },
    h("span", {}, `${one.name} is being brought in: ${words.share(one.fraction)}`),
    h("progress", { max: 1, value: one.fraction, "aria-label": `Bringing in ${one.name}` }),
    h("button", { type: "button", class: "quiet", onclick: () => one.stop() }, "Stop")));
  if (wrong) {
    some.push(h("div", { class: "notice away", role: "alert", "data-key": "upload-error" }, h("span", {}, wrong), " ",
      h("button", { type: "button", class: "quiet", onclick: () => refuse(null) }, "Understood")));
  }
  return some;
}
