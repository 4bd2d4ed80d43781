// One sheet as the server has it, what was computed for it, and the changes under way.

import { buffers, get, onReach, patch, post, remove } from "../api.js";
import { announce } from "../dom.js";
import { Stream } from "../live.js";
import { Field } from "./field.js";

/** Stages that run by themselves, in their order. */
export const STAGES = ["part", "undersides", "totals", "supports", "release"];
const BINARY = /\.(mesh|layers|bin)$/;
const KEPT = 60; // results held in memory

/** JSON merge patch, as the server does it: null removes, maps merge, lists are replaced. */
export function merged(base, change) {
  const out = { ...base };
  for (const [key, value] of Object.entries(change)) {
    if (value === null) delete out[key];
    else if (typeof value === "object" && !Array.isArray(value) && typeof out[key] === "object" && out[key] !== null) {
      out[key] = merged(out[key], value);
    } else out[key] = value;
  }
  return out;
}

export class SheetStore {
  constructor(id) {
    this.id = id;
    this.sheet = null;
    this.error = null; // the sheet cannot be had
    this.refused = null; // the last change was not taken: { error, what }
    this.wrong = new Map(); // why what stands in a field was not taken, by the field's path
    this.fields = new Map();
    this.conflict = null; // somebody else was faster: { change, changed }
    this.people = 1;
    this.dropped = [];
    this.fetching = 0; // results on their way
    this.files = new Map(); // by "key/file"
    this.lastSeen = new Map(); // by stage and files: stands in until the new one has come
    this.madeFor = new Map(); // key of the part by key of a result
    this.missing = new Set(); // keys that were cleared out
    this.pending = [];
    this.listeners = new Set();
    this.declined = new Set(); // stages that the user stopped
    this.leaves = onReach((now) => {
      if (!this.sheet) return;
      if (now) this.catchUp();
      this.tell();
    });
  }

  listen(listener) {
    this.listeners.add(listener);
  }

  tell() {
    this.listeners.forEach((listener) => listener());
  }

  async open() {
    try {
      this.take(await get(this.url()));
    } catch (error) {
      this.error = error;
      this.tell();
      return;
    }
    if (!this.closed) this.stream();
  }

  url(rest = "") {
    return `/api/sheets/${encodeURIComponent(this.id)}${rest}`;
  }

  stream() {
    this.events = new Stream(this.url("/events"), {
      sheet: (sheet) => this.take(sheet),
      stage: ({ stage, ...state }) => this.takeStage(stage, state),
      people: ({ count }) => {
        this.people = count;
        this.tell();
      },
      gone: () => {
        this.gone = true;
        this.events.close();
        this.tell();
      },
    });
  }

  close() {
    this.closed = true;
    this.leaves();
    this.events?.close();
    this.listeners.clear();
  }

  /** A sheet as it was told; of each stage the latest news counts, for events may overtake answers. */
  take(sheet) {
    if (this.closed || (this.sheet && sheet.version < this.sheet.version)) return;
    const stages = Object.fromEntries(Object.entries(sheet.stages).map(([name, stage]) => {
      const known = this.sheet?.stages[name];
      return [name, known?.news > sheet.news ? known : { ...stage, news: sheet.news }];
    }));
    this.sheet = { ...sheet, stages };
    this.tell();
  }

  takeStage(name, stage) {
    const before = this.sheet?.stages[name];
    if (!this.sheet || before?.news > stage.news) return;
    if (stage.state === "ready") { // perhaps made again
      for (const [at, { error }] of this.files) if (error && at.startsWith(stage.key)) this.files.delete(at);
    }
    this.sheet = { ...this.sheet, stages: { ...this.sheet.stages, [name]: stage } };
    if (before?.state !== stage.state && stage.state === "failed") announce(`${name}: ${stage.error?.wrong || "failed"}`);
    this.tell();
  }

  /** The choices as they will be once the changes under way have arrived. */
  get choices() {
    return this.pending.reduce((now, change) => merged(now, change.choices || {}), this.sheet.choices);
  }

  stage(name) {
    return this.sheet.stages[name] || { state: "idle", key: null };
  }

  /**
   * Files of one result of a stage: `{ values, stale, key }`, all of the same key; values is null until they have
   * come. An older result stands in while a new one is being computed or fetched, and is then stale.
   */
  results(stage, ...files) {
    const { state, key, shown } = this.stage(stage), name = `${stage}/${files}`;
    const wanted = state === "ready" ? key : null;
    for (const one of wanted ? [wanted] : shown ? [shown] : []) {
      const found = files.map((file) => this.fetched(one, file));
      if (found.some(({ value }) => value === undefined)) {
        if (one === wanted && found.some(({ error }) => error?.status === 404)) this.lost(stage, one);
        continue;
      }
      const seen = { values: found.map(({ value }) => value), stale: one !== wanted, key: one };
      if (!seen.stale) this.madeFor.set(one, this.stage("part").key);
      this.lastSeen.set(name, seen);
      return seen;
    }
    const before = this.lastSeen.get(name);
    if (before) return { ...before, stale: before.key !== wanted };
    return { values: null, stale: false, key: wanted };
  }

  /** One file of a stage's result: `{ value, stale, key }`; value is undefined until it has come. */
  result(stage, file) {
    const { values, stale, key } = this.results(stage, file);
    return { value: values?.[0], stale, key };
  }

  /** The value alone. */
  value(stage, file) {
    return this.result(stage, file).value;
  }

  /** Whether a result was made for the part as it is drawn: a support of another lie is not drawn with it. */
  fits(result, part) {
    return Boolean(result.values && part.values) && this.madeFor.get(result.key) === part.key;
  }

  /** A result that was cleared out is made again, once. */
  lost(stage, key) {
    if (this.missing.has(key) || !this.sheet) return;
    this.missing.add(key);
    this.ask(stage);
  }

  fetched(key, file) {
    const at = `${key}/${file}`;
    const known = this.files.get(at);
    if (known) {
      this.files.delete(at); // the most recently used stand last
      this.files.set(at, known);
      return known;
    }
    const entry = { value: undefined, error: null };
    this.files.set(at, entry);
    this.fetching++;
    const path = `/api/results/${key}/${file}`;
    (BINARY.test(file) ? buffers(path) : get(path)).then((value) => {
      entry.value = value;
    }, (error) => {
      entry.error = error;
      if (error.status !== 404) setTimeout(() => this.files.delete(at), 3000); // to be tried again
    }).finally(() => {
      this.fetching--;
      while (this.files.size > KEPT) this.files.delete(this.files.keys().next().value);
      this.tell();
    });
    return entry;
  }

  /** Change the sheet: `{ title?, note?, choices? }`. Changes are sent one after the other. */
  async change(change) {
    this.refused = null;
    const { error, overtaken } = await this.try(change);
    if (overtaken) this.conflict = { change, changed: overtaken };
    else if (error) this.refused = { error, change };
    if (error || overtaken) this.tell();
  }

  /**
   * The same, and what came of it: `{}`, `{ error }`, `{ overtaken }`, what somebody else changed meanwhile, or
   * `{ held }`: once its turn had come it was not `wanted()` any more.
   */
  try(change, wanted = () => true) {
    this.pending.push(change);
    this.tell();
    return this.inTurn(() => (wanted() ? this.send(change) : { held: true })).finally(() => {
      this.pending = this.pending.filter((one) => one !== change);
    });
  }

  /** What changes the sheet is sent one after the other, each upon what the one before it left. */
  inTurn(send) {
    const turn = (this.sending || Promise.resolve()).then(async () => {
      this.isSending = true;
      try {
        return await send();
      } finally {
        this.isSending = false;
      }
    });
    this.sending = turn.catch(() => {});
    return turn;
  }

  /** Ask the server for a changed sheet; what is written in other fields then rests on what was changed here. */
  async changed(ask) {
    const fields = [...this.fields.values()], before = fields.map((field) => field.read());
    const sheet = await ask(this.sheet.version);
    this.take(sheet);
    fields.forEach((field, k) => field.restOn(before[k]));
    return sheet;
  }

  async send(change) {
    try {
      const sheet = await this.changed((version) => patch(this.url(), { version, ...change }));
      this.dropped = sheet.dropped || [];
      return {};
    } catch (error) {
      if (error.status !== 409 || !error.body?.sheet) return { error };
      this.take(error.body.sheet);
      return { overtaken: error.body.changed || [] };
    }
  }

  /** The field of that path, one for all places that show it; `how` as for a Field. */
  field(path, how) {
    const known = this.fields.get(path), field = known ? Object.assign(known, how) : new Field(this, { path, ...how });
    this.fields.set(path, field);
    if (!known && field.draft?.due) field.commit(); // it was on its way when the page was left
    return field;
  }

  /** Whether something is being written that is not on its way to the bench. */
  get isWriting() {
    return [...this.fields.values()].some((field) => field.draft && !field.draft.due);
  }

  /** Send what was written while the bench was away. */
  catchUp() {
    for (const field of this.fields.values()) if (field.draft?.due) field.commit();
  }

  choose(choices) {
    return this.change({ choices });
  }

  /** After a conflict: send the change again on top of what is there now, or let it go. */
  resolve(again) {
    const { change } = this.conflict;
    this.conflict = null;
    this.tell();
    return again ? this.change(change) : null;
  }

  /** Have something done to the sheet as it is once its turn has come, if it is `wanted()` then. */
  async act(path, wanted) {
    try {
      await this.inTurn(() => wanted() && this.changed((version) => post(this.url(path), { version })));
    } catch (error) {
      this.refused = { error };
      if (error.body?.sheet) this.take(error.body.sheet);
      this.tell();
    }
  }

  /** Take the last change back, those under way included; what was undone, or null. */
  undo() {
    return this.back("/undo", "what");
  }

  redo() {
    return this.back("/redo", "redo");
  }

  async back(path, which) {
    let said = null;
    await this.act(path, () => {
      said = this.sheet.undo?.[which] || null;
      return said;
    });
    return said;
  }

  async ask(stage, body = {}) {
    this.declined.delete(stage);
    try {
      this.takeStage(stage, await post(this.url(`/stages/${stage}`), body));
    } catch (error) {
      this.refused = { error };
      this.tell();
    }
  }

  async stop(stage) {
    this.declined.add(stage);
    try {
      this.takeStage(stage, await remove(this.url(`/stages/${stage}`)));
    } catch (error) {
      this.refused = { error };
      this.tell();
    }
  }

  /** Stages at work now. */
  get working() {
    if (!this.sheet) return [];
    return Object.entries(this.sheet.stages).filter(([, s]) => s.state === "running" || s.state === "queued");
  }
}
