// Readings on their way: kept in the browser until the bench has them, so that a bad connection at the printer
// loses none. Each carries a mark of its own; sent twice, it is recorded once.

import { BenchError, onReach, post } from "../api.js";

const PLACE = "falsework-outbox", AGAIN_MS = 5000;
const listeners = new Set();
let sending = false, refused = null;

const load = () => JSON.parse(localStorage.getItem(PLACE) || "[]");
const store = (some) => localStorage.setItem(PLACE, JSON.stringify(some));
const tell = () => listeners.forEach((listener) => listener());

export const waiting = () => load().length;
export const lastRefusal = () => refused;

/** Be told when a reading was taken, refused or must wait. Returns what ends it. */
export function onOutbox(listener) {
  listeners.add(listener);
  return () => listeners.delete(listener);
}

/** Put a reading on its way. */
export function record(reading) {
  store([...load(), { ...reading, once: crypto.randomUUID?.() || `${Date.now()}-${Math.random().toString(36).slice(2)}` }]);
  return send();
}

async function send() {
  if (sending) return;
  sending = true;
  refused = null;
  try {
    for (let some = load(); some.length; some = load()) {
      try {
        await post("/api/readings", some[0]);
      } catch (error) {
        if (!(error instanceof BenchError) || error.status === 0 || error.status >= 500 || error.status === 401) {
          setTimeout(send, AGAIN_MS);
          break;
        }
        refused = { error, reading: some[0] }; // it will not be taken however often it is sent
      }
      store(load().slice(1));
      tell();
    }
  } finally {
    sending = false;
    tell();
  }
}

onReach((now) => now && send());
if (waiting()) send();
