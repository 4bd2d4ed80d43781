// Figures as text: the same strings as falsework.wording.figures (tests/data/wording.json holds both to it).

export const PRICE_UNIT = "¤"; // the sign for 'some currency': that of the process file
const BEYOND = "beyond the model", SPACE = "\u00a0", MINUS = "\u2212";

const fixed = (size, digits) => {
  // beyond 1e21 toFixed writes an exponent
  const [whole, rest] = (size < 1e21 ? size.toFixed(digits) : BigInt(size) + (digits ? `.${"0".repeat(digits)}` : "")).split(".");
  return whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") + (rest ? `.${rest}` : "");
};
const signed = (value, text) => (value < 0 && /[1-9]/.test(text) ? MINUS + text : text);
const joined = (text, value, unit) => (!Number.isFinite(value) || !unit ? text : text + (unit === "°" ? "" : SPACE) + unit);

/** A plain number with as many decimals as make sense at its size, or as asked. */
export function number(value, digits) {
  if (!Number.isFinite(value)) return BEYOND;
  if (value === 0) return "0";
  const size = Math.abs(value);
  if (digits === undefined) {
    if (size < 0.005) return value > 0 ? "under 0.01" : "0";
    digits = size < 0.995 ? 2 : size < 99.95 ? 1 : 0;
  }
  return signed(value, fixed(size, digits));
}

/** What an underside does when it is left alone: it droops, or it falls. */
export const leftAlone = (u) => `${u.kind === "island" ? "falls " : ""}${withUnit(u.droop_mm.value, "mm")}`;

/** `1.2 mm`, joined so that it does not break. */
export const withUnit = (value, unit, digits) => joined(number(value, digits), value, unit);

/** A number as someone gave it: 0.2, 45; none of its decimals a closing zero. */
export function given(value, unit = "") {
  if (!Number.isFinite(value)) return BEYOND;
  const text = fixed(Math.abs(value), 3).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "");
  return joined(signed(value, text), value, unit);
}

/** `0.10 to 0.90 mm`; a lower end that rounds to nothing is 0. */
export function interval(estimate, unit) {
  const low = Math.abs(estimate.low) < 0.005 ? "0" : number(estimate.low);
  return `${low} to ${withUnit(estimate.high, unit)}`;
}

/** `40 s`, `14 min`, `3 h 10 min`, from 100 h on `278 h`. */
export function duration(seconds) {
  if (!Number.isFinite(seconds)) return BEYOND;
  const size = Math.abs(seconds);
  if (size < 59.5) return seconds > 0 && seconds < 0.5 ? `under 1${SPACE}s` : withUnit(seconds, "s", 0);
  const minutes = Math.floor(size / 60 + 0.5), hours = Math.floor(minutes / 60), rest = minutes % 60;
  if (!hours) return signed(seconds, `${minutes}${SPACE}min`);
  if (hours >= 100) return signed(seconds, `${fixed(size / 3600, 0)}${SPACE}h`);
  return signed(seconds, rest ? `${hours}${SPACE}h ${rest}${SPACE}min` : `${hours}${SPACE}h`);
}

export const mass = (grams) => withUnit(grams, "g");
export const price = (amount) => withUnit(amount, PRICE_UNIT, 2);
export const area = (mm2) => (Math.abs(mm2) < 999.5 ? withUnit(mm2, "mm²") : withUnit(mm2 / 100, "cm²"));
export const sizeOf = (size) => `${size.map((v) => number(v, 1)).join(" × ")}${SPACE}mm`;
export const share = (fraction) => (fraction > 0 && fraction < 0.005 ? `under 1${SPACE}%` : withUnit(100 * fraction, "%", 0));

/** `1 piece`, `3 pieces`. */
export function counted(count, one, many) {
  return `${number(count, 0)}${SPACE}${count === 1 ? one : many || `${one}s`}`;
}

/** Whole numbers, rising, as `3,7-12`: what the ledger's address takes. */
export function spans(numbers) {
  const out = [];
  for (const n of numbers) {
    if (out.length && out.at(-1)[1] === n - 1) out.at(-1)[1] = n;
    else out.push([n, n]);
  }
  return out.map(([first, last]) => (first === last ? String(first) : `${first}-${last}`)).join(",");
}

/** `a, b and c`. */
export function listed(items) {
  return items.length < 2 ? items.join("") : `${items.slice(0, -1).join(", ")} and ${items.at(-1)}`;
}

/** With a capital and a full stop. */
export function sentence(text) {
  return text ? text[0].toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".") : "";
}

/** Turns about x, y and z in degrees; none of them is the position in which the part came. */
export const turned = (turn) => (turn.every((t) => t === 0) ? "as it came" : turn.map((t, k) => `${"xyz"[k]} ${number(t, Number.isInteger(t) ? 0 : 1)}°`).join(", "));

/** Seconds since 1970 as `today 14:05`, `Tue 24 Nov, 09:12`, with the year where it is another. */
export function moment(seconds) {
  const when = new Date(1000 * seconds), now = new Date();
  const clock = when.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
  if (when.toDateString() === now.toDateString()) return `today ${clock}`;
  const options = { weekday: "short", day: "numeric", month: "short" };
  if (when.getFullYear() !== now.getFullYear()) options.year = "numeric";
  return `${when.toLocaleDateString("en-GB", options)}, ${clock}`;
}

export const KIND = { holds: "prints unaided", bridge: "bridge", cantilever: "cantilever", island: "island" };
export const KIND_MEANING = {
  holds: "just past the limit",
  bridge: "anchored on two sides",
  cantilever: "anchored on one side",
  island: "starts in mid-air",
};
export const DECISION = {
  leave: "leave it",
  bed: "support from the bed",
  "bed-or-part": "support from bed or part",
};
export const STANDING = { leave: "leave it", bed: "from the bed", "bed-or-part": "from bed or part" };
export const WEAVE = { parallel: "strands all one way", crossed: "strands in two directions" };
export const BASIS = {
  uncalibrated: "based on general values, not your prints",
  extrapolated: "based on readings from this machine, outside the range they cover",
  calibrated: "based on readings from this machine",
};
