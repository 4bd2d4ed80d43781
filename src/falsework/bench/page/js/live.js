// What the server tells by itself: one stream a page, closed while nobody looks.
//
// A browser keeps at most six connections to one server for all its tabs, so a page has one stream, and a page
// in the background lets go of it once nothing is at work for it.

import { get, reached, remove } from "./api.js";

const QUIET_MS = 20_000;

export class Stream {
  /** `on`: handlers by event name, given the parsed data. `busy()`: whether to stay although nobody looks. */
  constructor(url, on, busy = () => false) {
    Object.assign(this, { url, on, busy });
    this.looks = () => this.looked();
    document.addEventListener("visibilitychange", this.looks);
    this.open();
  }

  open() {
    this.source = new EventSource(this.url);
    for (const [name, then] of Object.entries(this.on)) {
      this.source.addEventListener(name, (event) => then(JSON.parse(event.data)));
    }
    this.source.onopen = () => reached(true);
    this.source.onerror = () => {
      if (document.visibilityState === "visible") reached(false);
    };
  }

  looked() {
    clearTimeout(this.leaving);
    if (document.visibilityState === "visible") {
      if (!this.source) this.open();
      return;
    }
    const leave = () => {
      if (this.busy()) this.leaving = setTimeout(leave, QUIET_MS);
      else this.drop();
    };
    this.leaving = setTimeout(leave, QUIET_MS);
  }

  drop() {
    this.source?.close();
    this.source = null;
  }

  close() {
    clearTimeout(this.leaving);
    document.removeEventListener("visibilitychange", this.looks);
    this.drop();
  }
}

/** Follow a task until it ends: its result, or its error thrown. `told(task)` at every step; `signal` stops it. */
export async function finished(task, told = () => {}, signal = null) {
  let now = task;
  while (!["done", "failed", "stopped"].includes(now.state)) {
    told(now);
    await new Promise((resolve) => setTimeout(resolve, 250));
    if (signal?.aborted) {
      await remove(`/api/tasks/${now.id}`);
      throw new DOMException("stopped", "AbortError");
    }
    now = await get(`/api/tasks/${now.id}`);
  }
  told(now);
  if (now.state === "done") return now.result;
  throw Object.assign(new Error(now.error ? `${now.error.subject}: ${now.error.wrong}. ${now.error.cure}.` : "It was stopped."), { body: { error: now.error } });
}
