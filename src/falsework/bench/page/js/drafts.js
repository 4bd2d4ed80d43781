// What is being written: kept in this browser, field by field, until the bench has it. A reload, a closed tab or a
// bench that is away loses none of it.

const PLACE = "falsework-draft/", OLD_MS = 60 * 86_400_000;
const unkept = new Map(); // where the browser keeps nothing

function keys() {
  try {
    return Object.keys(localStorage).filter((key) => key.startsWith(PLACE));
  } catch {
    return [];
  }
}

/** The draft of a field: `{ text, was, due }`, or null. `was` is what stood there when it was begun. */
export function draftOf(field) {
  try {
    return JSON.parse(localStorage.getItem(PLACE + field)) || unkept.get(field) || null;
  } catch {
    return unkept.get(field) || null;
  }
}

export function keepDraft(field, draft) {
  try {
    localStorage.setItem(PLACE + field, JSON.stringify({ ...draft, at: Date.now() }));
  } catch { // full, or not allowed: it lives as long as the page
    unkept.set(field, draft);
  }
}

export function dropDraft(field) {
  unkept.delete(field);
  try {
    localStorage.removeItem(PLACE + field);
  } catch { /* nothing was kept */ }
}

/** Drafts that nobody came back to for two months go. */
for (const key of keys()) {
  try {
    if (Date.now() - JSON.parse(localStorage.getItem(key)).at > OLD_MS) localStorage.removeItem(key);
  } catch {
    localStorage.removeItem(key);
  }
}
