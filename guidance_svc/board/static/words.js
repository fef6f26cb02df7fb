// Numbers and times as text. All text, never markup: what comes from a vehicle goes through textContent alone.

const MINUS = "\u2212";
const THIN = "\u202f"; // narrow space between thousands

export const NONE = "\u2013";

/** A number with a fixed count of decimals, thousands apart, a real minus; a dash for null. */
export function number(value, decimals = 0) {
  if (value === null || value === undefined || !Number.isFinite(value)) return NONE;
  const [whole, part] = Math.abs(value).toFixed(decimals).split(".");
  const apart = whole.replace(/\B(?=(\d{3})+$)/g, THIN);
  const text = part === undefined ? apart : `${apart}.${part}`;
  return value < 0 && Number(Math.abs(value).toFixed(decimals)) !== 0 ? MINUS + text : text;
}

/** Metres as kilometres: tenths where that can be read. */
export function km(metres) {
  if (metres === null || metres === undefined) return NONE;
  return number(metres / 1000, Math.abs(metres) < 1e6 ? 1 : 0);
}

/** Seconds as m:ss.t or h:mm:ss. */
export function clock(seconds, tenths = true) {
  if (seconds === null || seconds === undefined || !Number.isFinite(seconds)) return NONE;
  const sign = seconds < -0.05 ? MINUS : "";
  const all = Math.round(Math.abs(seconds) * 10) / 10;
  if (all >= 3600) {
    const whole = Math.floor(all);
    return `${sign}${Math.floor(whole / 3600)}:${two(Math.floor(whole / 60) % 60)}:${two(whole % 60)}`;
  }
  const minutes = Math.floor(all / 60);
  const rest = all - 60 * minutes;
  return tenths ? `${sign}${minutes}:${rest < 9.95 ? "0" : ""}${rest.toFixed(1)}` : `${sign}${minutes}:${two(Math.floor(rest))}`;
}

/** An age in words. */
export function age(seconds) {
  if (seconds < 9.95) return `${Math.max(seconds, 0).toFixed(1)} s ago`;
  return seconds < 119.5 ? `${Math.round(seconds)} s ago` : `${Math.round(seconds / 60)} min ago`;
}

/** "no gaps", "1 gap", "12 gaps". */
export function count(value, one, many) {
  if (value === 0) return `no ${many}`;
  return `${number(value)} ${value === 1 ? one : many}`;
}

function two(value) {
  return String(value).padStart(2, "0");
}
