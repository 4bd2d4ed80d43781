// A field that people write into: its draft is kept until the bench has it, a refused value stays with the reason
// beside it, and what somebody else wrote meanwhile is shown before anything takes its place.

import { isReachable } from "../api.js";
import { announce, h, unseen } from "../dom.js";
import { draftOf, dropDraft, keepDraft } from "../drafts.js";
import { sentence } from "../words.js";

/** A number as people write it, with a decimal point; null where it is none. */
export function numberOf(text) {
  const plain = text.trim().replace(/^([-+]?\d*),(\d+)$/, "$1.$2");
  return plain !== "" && Number.isFinite(Number(plain)) ? plain : null;
}

const NO_NUMBER = { subject: "", wrong: "this is not a number", cure: "Write it as 0.2 or 0,2" };

export class Field {
  /**
   * `path` names it on the sheet; `read()` is what the bench has, as text; `change(text)` the change that makes it
   * `text`; `number`: an empty text or a number; `again()` draws the page.
   */
  constructor(store, { path, read, change, number = false }) {
    Object.assign(this, { store, path, read, change, number });
    this.key = `${store.id}/${path}`;
    this.isOnItsWay = false;
  }

  get draft() {
    const draft = draftOf(this.key);
    if (draft && draft.text === this.read() && !this.isOnItsWay) {
      dropDraft(this.key);
      return null;
    }
    return draft;
  }

  get text() {
    return this.draft?.text ?? this.read();
  }

  /** Whether the bench has something else by now than what stood here when the draft was begun. */
  get rests() {
    const { draft } = this;
    return !draft || this.read() === draft.was;
  }

  /** Whether somebody else wrote here meanwhile; known once what is under way from here has been answered. */
  get overtaken() {
    return !this.rests && !this.store.isSending;
  }

  /** What was changed from here is no other's: a draft that rested on what was there before rests on what is there now. */
  restOn(before) {
    const draft = draftOf(this.key);
    if (draft?.was === before && this.read() !== before) keepDraft(this.key, { ...draft, was: this.read() });
  }

  write(text) {
    const was = draftOf(this.key)?.was ?? this.read();
    if (text === this.read() && was === text && !this.isOnItsWay) dropDraft(this.key);
    else keepDraft(this.key, { text, was });
    this.store.wrong.delete(this.path);
    this.store.tell();
  }

  /** Send the draft: not over what somebody else wrote meanwhile. */
  async commit() {
    const { store, path } = this;
    for (let tries = 0; tries < 3; tries++) {
      const { draft } = this;
      if (!draft || this.overtaken) break;
      const text = this.number ? numberOf(draft.text) ?? (draft.text.trim() === "" ? "" : null) : draft.text;
      if (text === null) {
        store.wrong.set(path, NO_NUMBER);
        break;
      }
      keepDraft(this.key, { ...draft, due: true });
      this.isOnItsWay = true;
      const { error, overtaken, held } = await store.try(this.change(text), () => this.rests);
      this.isOnItsWay = false;
      if (overtaken) continue; // the sheet is newer now: looked at again
      if (error?.status || held) keepDraft(this.key, { ...draftOf(this.key), due: false });
      if (!error && !held) {
        if (draftOf(this.key)?.text === draft.text) dropDraft(this.key);
        store.wrong.delete(path);
      } else if (error?.status) { // an answer; without one it is sent once the bench can be reached
        store.wrong.set(path, error);
        announce(`Not taken: ${error.wrong}`);
      }
      break;
    }
    store.tell();
  }

  /** Mine in place of theirs: from now on theirs is what it was begun from. */
  insist() {
    keepDraft(this.key, { ...this.draft, was: this.read() });
    return this.commit();
  }

  letGo() {
    dropDraft(this.key);
    this.store.wrong.delete(this.path);
    this.store.tell();
  }

  /** What an input or a text area needs; `place` tells two apart that show the same field. */
  attributes(place = "") {
    const wrong = this.store.wrong.get(this.path);
    return {
      value: this.text, "aria-invalid": wrong ? "true" : null,
      "aria-describedby": wrong || this.draft ? `said-${this.path}${place}` : null,
      oninput: (event) => this.write(event.target.value),
      onchange: (event) => {
        this.write(event.target.value);
        this.commit();
      },
    };
  }

  /** What there is to say beside it; null while all is well. */
  said(label, place = "") {
    const { draft, path } = this, wrong = this.store.wrong.get(path);
    if (!draft) return null;
    const id = `said-${path}${place}`;
    if (this.overtaken) {
      return h("div", { class: "field-said theirs", id, role: "alert", "data-key": id },
        h("p", {}, "Somebody else wrote here meanwhile: ", h("q", {}, this.read() || "nothing"), ". Yours is kept in the field."),
        h("p", {}, h("button", { type: "button", onclick: () => this.insist() }, "Put mine in its place", unseen(`: ${label}`)), " ",
          h("button", { type: "button", onclick: () => this.letGo() }, "Take theirs", unseen(`: ${label}`))));
    }
    if (wrong) return h("p", { class: "field-said prop", id, role: "alert", "data-key": id }, `${sentence(wrong.wrong)} ${sentence(wrong.cure || "")}`);
    if (!draft.due && document.activeElement?.getAttribute("aria-describedby") !== id) {
      return h("p", { class: "field-said sub", id, "data-key": id }, "Not kept yet: it is in this browser only. ",
        h("button", { type: "button", class: "quiet", onclick: () => this.commit() }, "Keep it", unseen(`: ${label}`)), " ",
        h("button", { type: "button", class: "quiet", onclick: () => this.letGo() }, "Let it go", unseen(`: ${label}`)));
    }
    return h("p", { class: "field-said sub", id, "data-key": id }, !draft.due ? "" : isReachable() ? "Being kept…" : "Kept in this browser until the bench answers.");
  }
}
