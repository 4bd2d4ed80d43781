// Everything that can be done from where one stands, by name: opened by Ctrl+K, the slash key or its button.

import { h, morph } from "./dom.js";
import { counted } from "./words.js";

const MOST = 12;
let source = () => [], dialog = null, text = "", at = 0;

/** `from()` gives the commands of the page: `{ name, hint?, run }`. */
export const commandsFrom = (from) => { source = from; };

/** Commands whose words begin with what is typed, word by word; those whose name begins so come first. */
export function matching(commands, typed) {
  const wanted = typed.toLowerCase().split(/\s+/).filter(Boolean);
  const fits = ({ name }) => {
    const parts = name.toLowerCase().split(/[\s,-]+/);
    return wanted.every((word) => parts.some((part) => part.startsWith(word)));
  };
  const first = (command) => (command.name.toLowerCase().startsWith(typed.toLowerCase()) ? 0 : 1);
  return commands.filter(fits).sort((a, b) => first(a) - first(b));
}

export function openPalette() {
  if (!dialog) {
    dialog = h("dialog", { class: "palette", "aria-labelledby": "h-palette", onclose: () => { text = ""; at = 0; } });
    dialog.addEventListener("click", (event) => event.target === dialog && dialog.close());
    document.body.append(dialog);
  }
  text = "";
  at = 0;
  draw();
  if (!dialog.open) dialog.showModal();
  dialog.querySelector("input").focus();
}

function run(command) {
  dialog.close();
  command?.run();
}

function onKey(event, found) {
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (step) at = (at + step + found.length) % Math.max(1, found.length);
  else if (event.key === "Enter") run(found[at]);
  else return;
  event.preventDefault();
  if (step) draw();
}

function draw() {
  const all = matching(source(), text), found = all.slice(0, MOST);
  at = Math.min(at, Math.max(0, found.length - 1));
  morph(dialog,
    h("h2", { id: "h-palette" }, "What shall be done?"),
    h("input", {
      type: "text", role: "combobox", "aria-expanded": "true", "aria-controls": "palette-list", "aria-autocomplete": "list",
      "aria-label": "Begin to write it", autocomplete: "off", value: text, "data-key": "palette-field",
      "aria-activedescendant": found.length ? `palette-${at}` : null,
      oninput: (event) => { text = event.target.value; at = 0; draw(); },
      onkeydown: (event) => onKey(event, found),
    }),
    h("ul", { id: "palette-list", role: "listbox", "aria-label": "What can be done here" }, found.map((command, k) => h("li", {
      id: `palette-${k}`, role: "option", "aria-selected": k === at ? "true" : "false", onclick: () => run(command),
    }, command.name, command.hint ? h("span", { class: "sub" }, ` ${command.hint}`) : null))),
    h("p", { class: "sub", role: "status" }, !found.length ? "Nothing here is called that." : all.length > MOST ? `${counted(all.length - MOST, "more", "more")}: write on.` : "Arrow keys and Enter; Escape closes."));
}

document.addEventListener("keydown", (event) => {
  const typing = event.target.closest?.("input, textarea, select, [contenteditable]");
  const asked = (event.key.toLowerCase() === "k" && (event.ctrlKey || event.metaKey)) || (event.key === "/" && !typing && !event.ctrlKey && !event.metaKey && !event.altKey);
  if (!asked) return;
  event.preventDefault();
  openPalette();
});
