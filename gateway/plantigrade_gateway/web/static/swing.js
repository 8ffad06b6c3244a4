/**
 * One swing: both feet frame by frame, and its curves with the frame marked in them.
 */

import { ask, drawn } from "./chart.js";

const picture = /** @type {HTMLElement} */ (document.getElementById("picture"));
const slider = /** @type {HTMLInputElement} */ (document.getElementById("frame"));
const when = /** @type {HTMLOutputElement} */ (document.getElementById("when"));
const address = `/sessions/${picture.dataset.session}/swings/${picture.dataset.swing}`;
const aligned = picture.dataset.aligned ?? "shift";
const ABSENT = "–";

/** @type {any} every frame, from the server */
let frames = null;
/** @type {import("./chart.js").Chart | null} */
let chart = null;

/**
 * @param {number | null} value
 * @param {number} digits
 * @param {number} scale
 * @returns {string}
 */
function text(value, digits, scale = 1) {
  if (value === null || value === undefined) return ABSENT;
  const shown = (scale * value).toFixed(digits);
  return Number(shown) === 0 ? shown.replace("-", "") : shown; // no "-0.00"
}

/**
 * Return black or white, whichever is read better on a colour.
 * @param {string} colour #rrggbb
 */
function ink(colour) {
  const [r, g, b] = [1, 3, 5].map((k) => (parseInt(colour.slice(k, k + 2), 16) / 255) ** 2.2);
  return 0.2126 * r + 0.7152 * g + 0.0722 * b > 0.18 ? "#000000" : "#ffffff";
}

/**
 * @param {number | null} value a zone's reading
 * @returns {string} its colour
 */
function colourOf(value) {
  const { scale, top } = frames;
  const part = Math.min(Math.max((value ?? 0) / top, 0), 1);
  return scale[Math.round(part * (scale.length - 1))];
}

/**
 * Show one foot at a frame.
 * @param {SVGSVGElement} svg
 * @param {number} k
 */
function showFoot(svg, k) {
  const foot = frames.feet[svg.dataset.foot ?? ""];
  for (const shape of svg.querySelectorAll("[data-zone]")) {
    const n = Number(/** @type {SVGElement} */ (shape).dataset.zone) - 1;
    const value = foot.zones[k][n];
    const colour = value === null ? "none" : colourOf(value);
    shape.setAttribute("fill", colour);
    shape.classList.toggle("missing", value === null);
    const label = svg.querySelector(`[data-reading="${n + 1}"]`);
    if (!label) continue;
    label.textContent = text(value, 0);
    label.setAttribute("fill", value === null ? "currentColor" : ink(colour));
  }
  const [x, y] = foot.cop[k];
  const ring = svg.querySelector("[data-cop]");
  ring?.setAttribute("cx", String(x ?? -20));
  ring?.setAttribute("cy", String(y ?? -20));
}

/** Show the frame the slider stands on. */
function show() {
  const k = Number(slider.value);
  for (const svg of picture.querySelectorAll("svg[data-foot]")) {
    showFoot(/** @type {SVGSVGElement} */ (svg), k);
  }
  for (const cell of picture.querySelectorAll("[data-region]")) {
    const { foot, region } = /** @type {HTMLElement} */ (cell).dataset;
    cell.textContent = text(frames.feet[foot ?? ""].regions[k][Number(region)], 2);
  }
  for (const cell of picture.querySelectorAll("[data-load]")) {
    const { load } = /** @type {HTMLElement} */ (cell).dataset;
    cell.textContent = text(frames.feet[load ?? ""].load[k], 2);
  }
  const share = text(frames.share[k], 0, 100);
  /** @type {HTMLElement} */ (document.getElementById("share")).textContent = share;
  const t = frames.t[k];
  const words = `${t < 0 ? "−" : "+"}${Math.abs(t).toFixed(2)} s from the ${aligned}`;
  when.textContent = words;
  slider.setAttribute("aria-valuetext", `${words}, lead share ${share} %`);
  chart?.fill({ sources: { cursor: { t: [t] } }, ranges: {} });
}

/** @param {number} k the frame to go to */
function go(k) {
  slider.value = String(k);
  show();
}

async function start() {
  frames = await ask(`${address}/frames.json`);
  /** @type {HTMLElement} */ (document.getElementById("top")).textContent =
    `${frames.top} ${frames.unit}`;
  slider.addEventListener("input", show);
  for (const button of picture.querySelectorAll("[data-step]")) {
    const step = Number(/** @type {HTMLElement} */ (button).dataset.step);
    button.addEventListener("click", () => go(Number(slider.value) + step));
  }
  for (const button of picture.querySelectorAll("[data-moment]")) {
    const k = frames.moments[/** @type {HTMLElement} */ (button).dataset.moment ?? ""];
    button.addEventListener("click", () => go(k));
  }
  go(frames.moments[aligned] ?? 0);
  chart = await drawn(/** @type {HTMLElement} */ (document.getElementById("chart")));
  show();
}

start().catch((error) => {
  when.textContent = error instanceof Error ? error.message : String(error);
});
