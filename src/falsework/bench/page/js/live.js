// What the server tells by itself: one stream a page, closed when it is left and while nobody looks.
//
// A browser keeps at most six connections to one server for all its tabs and windows, so a page never has two
// streams, whatever is opened and left in which order, and a page in the background lets go of its own.

import { get, reached, remove } from "./api.js";

const QUIET_MS = 4000, AGAIN_MS = 600;
let current = null;

export class Stream {
  /** `on`: handlers by event name, given the parsed data. The stream before it on this page ends. */
  constructor(url, on) {
    Object.assign(this, { url, on });
    current?.close();
    current = this;
    this.ends = new AbortController();
    const { signal } = this.ends;
    document.addEventListener("visibilitychange", () => this.looked(), { signal });
    window.addEventListener("pagehide", () => this.drop(), { signal });
    window.addEventListener("pageshow", (event) => event.persisted && !this.source && this.open(), { signal });
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
    if (document.visibilityState !== "visible") this.leaving = setTimeout(() => this.drop(), QUIET_MS);
    else if (!this.source) this.open();
  }

  drop() {
    this.source?.close();
    this.source = null;
  }

  close() {
    clearTimeout(this.leaving);
    this.ends.abort();
    this.drop();
    if (current === this) current = null;
  }
}

/** `act`, at most once in `AGAIN_MS` however often it is asked for; `cancel()` forgets what is due. */
export function seldom(act) {
  let due = null;
  const ask = () => {
    due ??= setTimeout(() => {
      due = null;
      act();
    }, AGAIN_MS);
  };
  ask.cancel = () => clearTimeout(due);
  return ask;
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
