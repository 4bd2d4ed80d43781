// What every section of the sheet has in common.

import { shell } from "../figure/solids.js";

/** What every section has: a key for its address, the stages it rests on, a body, perhaps a figure. */
export class Section {
  constructor(page) {
    this.page = page;
    this.store = page.store;
  }

  /** The stage that the margin reports: the first that is not ready, else the last. */
  stage() {
    const some = this.stages.map((name) => this.store.stage(name));
    return some.find((stage) => stage.state !== "ready") || some.at(-1) || { state: "ready" };
  }

  stale() {
    return this.files.some(([stage, file]) => {
      const { value, stale } = this.store.result(stage, file);
      return value !== undefined && stale;
    });
  }

  get files() {
    return [];
  }

  /** Mesh, coarse mesh and facts of the part, all of one placing. */
  part() {
    return this.store.results("part", "part.mesh", "coarse.mesh", "part.json");
  }

  shell(part) {
    return this.page.shared("shell", part.key, () => shell(part.values[0], part.values[1]));
  }

  mount(place) {
    const host = this.plate && place.querySelector(`[data-keep="figure-${this.key}"]`);
    if (host && this.plate.element.parentNode !== host) host.append(this.plate.element, ...(this.beside || []));
  }

  /** The section has come into view. */
  seen() {}

  /** Something of that kind is pointed at somewhere. */
  pointed() {}

  lookFrom(text) {
    if (this.plate) this.plate.eyeText = text;
  }

  close() {
    this.plate?.close();
  }
}

