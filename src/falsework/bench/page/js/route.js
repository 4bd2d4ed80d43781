// Addresses: every state of the page has one. `/sheets/ID/SECTION?…`, `/tuning…`, `/ledger…`.

const listeners = new Set();

/** The address as `{ path: [...], query: {…} }`. */
export function here() {
  const path = location.pathname.split("/").filter(Boolean).map(decodeURIComponent);
  return { path, query: Object.fromEntries(new URLSearchParams(location.search)) };
}

export const onRoute = (listener) => listeners.add(listener);
const tell = (why) => listeners.forEach((listener) => listener(here(), why));

/** An address from its parts; values of `query` that are null or empty are left out. */
export function address(path, query = {}) {
  const some = Object.entries(query).filter(([, v]) => v !== null && v !== undefined && v !== "");
  const tail = new URLSearchParams(some.map(([k, v]) => [k, String(v)])).toString();
  return `/${path.map(encodeURIComponent).join("/")}${tail ? `?${tail}` : ""}`;
}

/** Go to an address; with `replace` it takes the place of the present one, and nobody is told to move. */
export function go(to, { replace = false } = {}) {
  if (to === location.pathname + location.search) return;
  history[replace ? "replaceState" : "pushState"](null, "", to);
  if (!replace) tell("go");
}

/** Change some of the query, quietly (the address only). */
export function note(query) {
  const { path, query: now } = here();
  go(address(path, { ...now, ...query }), { replace: true });
}

window.addEventListener("popstate", () => tell("back"));

document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[href]");
  if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
  if (link.origin !== location.origin || link.target || link.hasAttribute("download") || link.pathname.startsWith("/api/")) return;
  if (link.hash && link.pathname === location.pathname) return;
  event.preventDefault();
  go(link.pathname + link.search);
});
