// Files that are brought in: dropped or chosen, with progress, a way to stop, and what is wrong with them.

import { BenchError, upload } from "./api.js";
import { h } from "./dom.js";
import { go } from "./route.js";
import * as words from "./words.js";

const uploads = new Set();
let wrong = null, mostBytes = Infinity, tell = () => {};

/** `told` is called whenever the notices of files change. */
export const onBringing = (told) => { tell = told; };
export const limitTo = (bytes) => { mostBytes = bytes; };

/** Bring in one file: it becomes a new work order, or the part of the sheet `replace` ({ id, version }). */
export async function bringIn(file, replace = null) {
  const tail = replace ? `&sheet=${encodeURIComponent(replace.id)}&version=${replace.version}` : "";
  const one = { name: file.name, fraction: 0 };
  wrong = null;
  if (file.size > mostBytes) {
    const [has, takes] = [file.size, mostBytes].map((bytes) => words.withUnit(bytes / 1e6, "MB", 0));
    wrong = `${file.name}: it has ${has}, more than the ${takes} that this bench takes. Thin the mesh, or raise the limit when the bench is started.`;
    tell();
    return;
  }
  const { done, stop } = upload(`/api/parts?name=${encodeURIComponent(file.name)}${tail}`, file, (fraction) => {
    one.fraction = fraction;
    tell();
  });
  one.stop = stop;
  uploads.add(one);
  tell();
  try {
    const { sheet } = await done;
    if (!replace) go(`/sheets/${sheet.id}`);
  } catch (error) {
    if (error instanceof BenchError) wrong = error.message;
    else if (error.name !== "AbortError") throw error;
  } finally {
    uploads.delete(one);
    tell();
  }
}

/** What there is to say about files on their way. */
export function bringingNotices() {
  const some = [...uploads].map((one) => h("div", { class: "notice", role: "status", "data-key": `upload-${one.name}` },
    h("span", {}, `${one.name} is being brought in: ${words.share(one.fraction)}`),
    h("progress", { max: 1, value: one.fraction, "aria-label": `Bringing in ${one.name}` }),
    h("button", { type: "button", class: "quiet", onclick: () => one.stop() }, "Stop")));
  if (wrong) {
    some.push(h("div", { class: "notice away", role: "alert", "data-key": "upload-error" }, h("span", {}, wrong), " ",
      h("button", { type: "button", class: "quiet", onclick: () => { wrong = null; tell(); } }, "Understood")));
  }
  return some;
}
