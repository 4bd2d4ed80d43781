// Pages as functions of state: `h` makes a tree, `morph` brings the tree on the page in line with it.
//
// Handlers travel with the node (`node.handlers`), so a tree that is thrown away after morphing leaves its
// handlers behind. A node with `data-keep` owns its children: morph never looks inside.

const SVG = "http://www.w3.org/2000/svg";
const PROPERTIES = new Set(["value", "checked", "disabled", "selected", "indeterminate", "open"]);

function dispatch(event) {
  event.currentTarget.handlers?.[event.type]?.call(event.currentTarget, event);
}

function listen(node, handlers) {
  const known = node.handlers || {};
  for (const type of Object.keys(handlers)) if (!(type in known)) node.addEventListener(type, dispatch);
  // types that are no longer wanted stay attached and find nothing to call
  node.handlers = { ...Object.fromEntries(Object.keys(known).map((type) => [type, undefined])), ...handlers };
}

function fill(node, attributes, children) {
  const handlers = {};
  for (const [name, value] of Object.entries(attributes || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) handlers[name.slice(2)] = value;
    else if (PROPERTIES.has(name) && node.namespaceURI !== SVG) {
      node[name] = value;
      if (name !== "value") node.setAttribute(name, "");
      else (node.wanted = String(value));
    } else node.setAttribute(name, value === true ? "" : value);
  }
  if (Object.keys(handlers).length) listen(node, handlers);
  for (const child of children.flat(Infinity)) {
    if (child === null || child === undefined || child === false || child === "") continue;
    node.append(child instanceof Node ? child : String(child));
  }
  // a select takes its value only once its options are there
  if (node.localName === "select" && attributes?.value !== undefined) node.value = attributes.value;
  return node;
}

/** An HTML element: `h("button", { type: "button", onclick: f }, "Undo")`. */
export const h = (name, attributes, ...children) => fill(document.createElement(name), attributes, children);

/** The same for SVG. */
export const s = (name, attributes, ...children) => fill(document.createElementNS(SVG, name), attributes, children);

const keyOf = (node) => (node.nodeType === 1 ? node.getAttribute("data-key") || node.id || null : null);

function sameKind(a, b) {
  return a.nodeType === b.nodeType && a.nodeName === b.nodeName && keyOf(a) === keyOf(b)
    && (a.nodeType !== 1 || a.getAttribute("data-keep") === b.getAttribute("data-keep"));
}

function morphNode(old, fresh) {
  if (old.nodeType !== 1) {
    if (old.data !== fresh.data) old.data = fresh.data;
    return;
  }
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name) && !(name === "open" && old.localName === "details")) old.removeAttribute(name);
  }
  for (const { name, value } of fresh.attributes) {
    if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
  if (fresh.handlers || old.handlers) listen(old, fresh.handlers || {});
  if (!old.hasAttribute("data-keep")) morphChildren(old, fresh);
  // properties last: a select's value needs its options; what is being typed is left alone
  if ("disabled" in old && old.disabled !== fresh.disabled) old.disabled = fresh.disabled;
  if ("checked" in old && old.checked !== fresh.checked) old.checked = fresh.checked;
  if ("wanted" in fresh || old.localName === "select") {
    // what is being typed is left alone, unless whoever draws the page has heard of all of it
    const typing = document.activeElement === old && old.localName !== "select" && old.value !== old.wanted;
    if (!typing && old.value !== fresh.value) old.value = fresh.value;
    old.wanted = fresh.wanted;
  }
}

function morphChildren(old, fresh) {
  const keyed = new Map();
  for (const child of old.childNodes) {
    const key = keyOf(child);
    if (key) keyed.set(key, child);
  }
  let at = old.firstChild;
  for (const wanted of [...fresh.childNodes]) {
    const key = keyOf(wanted);
    let match = null;
    if (key) {
      const known = keyed.get(key);
      if (known && sameKind(known, wanted)) match = known;
    } else if (at && !keyOf(at) && sameKind(at, wanted)) match = at;
    if (!match) {
      old.insertBefore(wanted, at);
    } else {
      if (match === at) at = at.nextSibling;
      else old.insertBefore(match, at);
      morphNode(match, wanted);
    }
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

/** Make the children of `place` what `tree` (a node, or several) says. */
export function morph(place, ...tree) {
  const focused = document.activeElement, around = [];
  for (let at = place.contains(focused) ? focused.parentElement : null; at && at !== document.body; at = at.parentElement) around.push(at);
  const fresh = document.createDocumentFragment();
  fresh.append(...tree.flat(Infinity).filter((node) => node || node === 0));
  morphChildren(place, fresh);
  if (around.length && document.activeElement === document.body) keepFocus(around);
}

/** What had the focus is gone: it goes to the heading of where that was, not to the page's very beginning. */
function keepFocus(around) {
  for (const at of around) {
    const goal = at.isConnected && (at.matches("[tabindex]") ? at : at.querySelector("h1[tabindex], h2[tabindex], dialog input"));
    if (goal) return goal.focus({ preventScroll: true });
  }
  return document.getElementById("place")?.focus({ preventScroll: true });
}

/** A place whose children belong to somebody else: morph leaves them alone. */
export const keep = (key, attributes = {}) => h("div", { ...attributes, "data-keep": key });

/** Text for screen readers alone. */
export const unseen = (...children) => h("span", { class: "unseen" }, ...children);

/** Say something to screen readers without moving the focus. */
export function announce(text) {
  const place = document.getElementById("spoken");
  if (place && place.textContent !== text) place.textContent = text;
}
