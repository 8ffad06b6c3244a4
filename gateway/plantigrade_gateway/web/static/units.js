/** Numbers as people read them: each with its unit, and a dash where there is none. */

const NONE = "–";
const JOIN = "\u00a0"; // no line ends between a number and its unit

/**
 * @param {number | null | undefined} value
 * @param {number} digits
 * @param {string} unit
 * @returns {string} "0.52 × BW", "–"
 */
export function number(value, digits, unit) {
  if (value == null) return NONE;
  return `${value.toFixed(digits).replace("-", "−")} ${unit}`.replaceAll(" ", JOIN);
}

/**
 * @param {number | null | undefined} share 0 … 1
 * @param {number} [digits]
 * @returns {string} "47 %"
 */
export function percent(share, digits = 0) {
  return share == null ? NONE : `${(100 * share).toFixed(digits)}${JOIN}%`;
}

/**
 * @param {number | null | undefined} seconds
 * @returns {string} session time, "12:03" or "1:02:03"
 */
export function clock(seconds) {
  if (seconds == null) return NONE;
  const whole = Math.max(0, Math.floor(seconds));
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  return h ? `${h}:${two(m)}:${two(s)}` : `${m}:${two(s)}`;
}
