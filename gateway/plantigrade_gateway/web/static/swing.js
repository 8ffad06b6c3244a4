/**
 * One swing: both feet frame by frame, and its curves with the frame marked in them.
 */

import { ask, drawn, theme } from "./chart.js";
import { Scale } from "./scale.js";
import { cells, outline } from "./sole.js";

const picture = /** @type {HTMLElement} */ (document.getElementById("picture"));
const slider = /** @type {HTMLInputElement} */ (document.getElementById("frame"));
const when = /** @type {HTMLOutputElement} */ (document.getElementById("when"));
const address = `/sessions/${picture.dataset.session}/swings/${picture.dataset.swing}`;
const aligned = picture.dataset.aligned ?? "shift";
const ABSENT = "–";
const MARGIN_MM = 6; // about an insole in its picture, as the CoP's path has it

/** @type {any} every frame, from the server */
let frames = null;
/** @type {import("./chart.js").Chart | null} */
let chart = null;
let scale = new Scale(false);

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

/** Draw a foot's sole and zones: a layout says where zones lie, not how they look. */
function drawFoot(/** @type {SVGSVGElement} */ svg) {
  const { layout } = frames;
  const { width_mm: wide, length_mm: long } = layout;
  const left = svg.dataset.foot === "left"; // the right one's mirror
  const at = (/** @type {import("./sole.js").Point} */ [x, y]) =>
    [MARGIN_MM + (left ? wide - x : x), MARGIN_MM + long - y].map((mm) => mm.toFixed(1));
  const path = (/** @type {import("./sole.js").Point[]} */ points) =>
    `M${points.map((point) => at(point).join(" ")).join("L")}Z`;
  svg.querySelector("[data-sole]")?.setAttribute("d", path(outline(layout)));
  cells(layout).forEach(({ zone, points, place }) => {
    svg.querySelector(`[data-zone="${zone.id}"]`)?.setAttribute("d", path(points));
    const reading = svg.querySelector(`[data-reading="${zone.id}"]`);
    const [x, y] = at(place);
    reading?.setAttribute("x", x);
    reading?.setAttribute("y", y);
  });
}

/** Take the scale of the page's colours: as on the live page, more load is further from the ground. */
function paint() {
  scale = new Scale(theme() === "dark");
  const steps = document.querySelectorAll("#scale rect");
  steps.forEach((step, k) => step.setAttribute("fill", scale.fills[scale.index(k / (steps.length - 1))]));
  show();
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
    const step = scale.index((value ?? 0) / frames.top);
    shape.setAttribute("fill", value === null ? "none" : scale.fills[step]);
    shape.classList.toggle("missing", value === null);
    const label = svg.querySelector(`[data-reading="${n + 1}"]`);
    if (!label) continue;
    label.textContent = text(value, 0);
    label.setAttribute("fill", value === null ? "currentColor" : scale.writings[step]);
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
  const away = text(t, 2);
  const words = `${away.startsWith("-") ? away.replace("-", "−") : `+${away}`} s from the ${aligned}`;
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
  for (const svg of picture.querySelectorAll("svg[data-foot]")) drawFoot(/** @type {SVGSVGElement} */ (svg));
  document.addEventListener("theme", paint);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", paint);
  slider.addEventListener("input", show);
  for (const button of picture.querySelectorAll("[data-step]")) {
    const step = Number(/** @type {HTMLElement} */ (button).dataset.step);
    button.addEventListener("click", () => go(Number(slider.value) + step));
  }
  for (const button of picture.querySelectorAll("[data-moment]")) {
    const k = frames.moments[/** @type {HTMLElement} */ (button).dataset.moment ?? ""];
    button.addEventListener("click", () => go(k));
  }
  slider.value = String(frames.moments[aligned] ?? 0);
  paint();
  chart = await drawn(/** @type {HTMLElement} */ (document.getElementById("chart")));
  show();
}

start().catch((error) => {
  when.textContent = error instanceof Error ? error.message : String(error);
});
