// Figures as text, in the same manner as the written work order: every number with its unit.

export const PRICE_UNIT = "¤"; // the sign for 'some currency': that of the process file

/** A plain number with as many decimals as make sense at its size, or as asked. */
export function number(value, digits) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "beyond the model";
  if (value === 0) return "0";
  if (digits === undefined) {
    const size = Math.abs(value);
    if (size < 0.005) return value > 0 ? "under 0.01" : "0";
    digits = size < 1 ? 2 : size < 100 ? 1 : 0;
  }
  const [whole, rest] = Math.abs(value).toFixed(digits).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f");
  const sign = value < 0 && Number(value.toFixed(digits)) !== 0 ? "\u2212" : "";
  return sign + grouped + (rest ? `.${rest}` : "");
}

/** `1.2 mm`, joined so that it does not break. */
export function withUnit(value, unit, digits) {
  const text = number(value, digits);
  if (!Number.isFinite(value)) return text;
  return unit === "°" || !unit ? text + (unit || "") : `${text}\u00a0${unit}`;
}

/** `0.10 to 0.90 mm`; a lower end that rounds to nothing is 0. */
export function interval(estimate, unit) {
  const low = Math.abs(estimate.low) < 0.005 ? "0" : number(estimate.low);
  return `${low} to ${withUnit(estimate.high, unit)}`;
}

/** `3 h 10 min`, `14 min`, `40 s`. */
export function duration(seconds) {
  if (!Number.isFinite(seconds)) return number(seconds);
  if (seconds < 59.5) return withUnit(seconds, "s", 0);
  const minutes = Math.floor(seconds / 60 + 0.5);
  if (minutes < 60) return `${minutes}\u00a0min`;
  const hours = Math.floor(minutes / 60), rest = minutes % 60;
  return rest ? `${hours}\u00a0h ${rest}\u00a0min` : `${hours}\u00a0h`;
}

export const mass = (grams) => withUnit(grams, "g");
export const price = (amount) => withUnit(amount, PRICE_UNIT, 2);
export const squareMm = (mm2) => (mm2 >= 1000 ? withUnit(mm2 / 100, "cm²") : withUnit(mm2, "mm²"));
export const sizeOf = (size) => `${size.map((v) => number(v, 1)).join(" × ")}\u00a0mm`;
export const share = (fraction) => `${Math.round(100 * fraction)}\u00a0%`;

/** `1 piece`, `3 pieces`. */
export function counted(count, one, many) {
  return `${number(count, 0)}\u00a0${count === 1 ? one : many || `${one}s`}`;
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

/** Seconds since 1970 as `today 14:05`, `Tue 24 Nov, 09:12`, with the year where it is another. */
export function moment(seconds) {
  const when = new Date(1000 * seconds), now = new Date();
  const clock = when.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
  if (when.toDateString() === now.toDateString()) return `today ${clock}`;
  const options = { weekday: "short", day: "numeric", month: "short" };
  if (when.getFullYear() !== now.getFullYear()) options.year = "numeric";
  return `${when.toLocaleDateString("en-GB", options)}, ${clock}`;
}

export const KIND = { holds: "holds", bridge: "bridge", cantilever: "cantilever", island: "island" };
export const KIND_MEANING = {
  holds: "past the reach, but by so little that it prints",
  bridge: "anchored on two sides",
  cantilever: "anchored on one side",
  island: "starts in mid-air",
};
export const DECISION = {
  none: "leave it",
  bed: "support from the bed",
  anywhere: "support from bed or part",
};
export const STANDING = { none: "leave it", bed: "from the bed", anywhere: "from bed or part" };
export const BASIS = {
  uncalibrated: "nothing printed on this machine with this material stands behind it yet",
  extrapolated: "readings from this machine, but outside the range they cover",
  calibrated: "readings from this machine",
};
