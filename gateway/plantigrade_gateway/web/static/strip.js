/** The last swing as a strip: its moments, the lead heel's lift and the trail foot's push. */

import { part } from "./dom.js";

const SVG = "http://www.w3.org/2000/svg";
const HEIGHT = 166;
const LEFT = 78; // room for the bars' names
const BEFORE_S = 0.05;
const AFTER_S = 0.15;
const [AXIS_Y, HEEL_Y, PUSH_Y, BAR] = [66, 84, 118, 22];

/** The moments, each with the row its label stands in, so that near ones do not cover each other. */
const MOMENTS = [
  { key: "start_s", text: "start", row: 2, end: false },
  { key: "trail_peak_s", text: "trail peak", row: 1, end: true },
  { key: "shift_s", text: "shift", row: 2, end: false },
  { key: "lead_peak_s", text: "lead peak", row: 0, end: true },
];

/**
 * @param {string} name
 * @param {Record<string, string | number>} attributes
 * @param {string} [text]
 * @returns {SVGElement}
 */
function drawn(name, attributes, text = "") {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  if (text) element.textContent = text;
  return element;
}

/**
 * The push's bar: where the trail foot's CoP was in its own travel, whatever part of the foot that
 * ran over: in its rear until heel leave, on the way until fore take, then in its front.
 * @param {any} push
 * @param {number} from where the bar begins, s
 * @returns {{from: number, to: number, text: string, kind: string}[]}
 */
export function pushParts(push, from) {
  const { heel_leave_s: leave, fore_take_s: take, end_s: end, path_t_s: path } = push;
  const until = end ?? path[path.length - 1] ?? take;
  if (leave == null || until == null) return [];
  const parts = [{ from, to: leave, text: "rear", kind: "rear" }];
  if (take == null) return [...parts, { from: leave, to: until, text: "on the way", kind: "way" }];
  return [
    ...parts,
    { from: leave, to: take, text: "on the way", kind: "way" },
    { from: take, to: Math.max(take, until), text: "front", kind: "front" },
  ].filter((part) => part.to > part.from);
}

export class Strip {
  constructor() {
    this.svg = part("strip");
    this.right = 0;
    new ResizeObserver(() => this.draw()).observe(this.svg);
  }

  /** @param {any} hello */
  hello({ swing }) {
    if (swing) this.swing(swing);
    else {
      this.last = null;
      this.svg.setAttribute("hidden", "");
      part("strip-text").textContent = "Shown when there is a swing.";
    }
  }

  /** @param {any} message */
  swing(message) {
    this.last = message;
    this.svg.removeAttribute("hidden");
    part("strip-text").textContent = this.inWords(message.swing);
    this.draw();
  }

  /** One unit is one pixel, so that the letters keep their size. */
  draw() {
    const width = this.svg.getBoundingClientRect().width;
    if (!this.last || !width) return;
    this.right = width - 6;
    this.svg.setAttribute("viewBox", `0 0 ${width} ${HEIGHT}`);
    const { swing, words } = this.last;
    const at = MOMENTS.map(({ key }) => swing[key]).filter((t) => t != null);
    if (!at.length) {
      this.svg.replaceChildren(); // nothing of it is known, and the one before it is not it
      return;
    }
    const from = Math.min(...at) - BEFORE_S;
    const to = Math.max(...at, swing.push.end_s ?? 0, swing.heel_lift.return_s ?? 0) + AFTER_S;
    /** @param {number} t */
    const x = (t) => LEFT + ((t - from) / (to - from)) * (this.right - LEFT);
    this.svg.replaceChildren(
      drawn("title", {}, `The last swing: ${words.outcome}`),
      ...this.moments(swing, x),
      ...this.heel(swing, words, x),
      ...this.push(swing, words, x),
    );
  }

  /**
   * @param {any} swing
   * @param {(t: number) => number} x
   */
  moments(swing, x) {
    const parts = [drawn("line", { x1: LEFT, x2: this.right, y1: AXIS_Y, y2: AXIS_Y, class: "axis" })];
    for (const { key, text, row, end } of MOMENTS) {
      if (swing[key] == null) continue;
      const at = x(swing[key]);
      const y = 16 + 18 * row;
      parts.push(
        drawn("line", { x1: at, x2: at, y1: y + 4, y2: PUSH_Y + BAR + 4, class: "moment" }),
        drawn("text", { x: end ? at + 3 : at - 3, y, "text-anchor": end ? "end" : "start" }, text),
      );
    }
    return parts;
  }

  /**
   * @param {any} swing
   * @param {any} words
   * @param {(t: number) => number} x
   */
  heel(swing, words, x) {
    const lift = swing.heel_lift;
    const parts = [drawn("text", { x: 0, y: HEEL_Y + 16, class: "name" }, "lead heel")];
    if (lift.lift_s == null || lift.return_s == null) {
      parts.push(drawn("text", { x: Math.max(LEFT, x(swing.start_s ?? 0)) + 6, y: HEEL_Y + 16 }, words.heel_lift));
      return parts;
    }
    const [from, to] = [x(lift.lift_s), x(lift.return_s)];
    parts.push(
      drawn("rect", { x: from, y: HEEL_Y, width: to - from, height: BAR, class: "lift" }),
      drawn("text", { x: from - 6, y: HEEL_Y + 16, "text-anchor": "end" }, from > LEFT + 110 ? words.heel_lift : ""),
    );
    return parts;
  }

  /**
   * @param {any} swing
   * @param {any} words
   * @param {(t: number) => number} x
   */
  push(swing, words, x) {
    const parts = [drawn("text", { x: 0, y: PUSH_Y + 16, class: "name" }, "trail push")];
    const begin = swing.push.path_t_s[0] ?? swing.trail_peak_s;
    for (const { from, to, text, kind } of pushParts(swing.push, begin)) {
      const [left, right] = [x(from), x(to)];
      parts.push(drawn("rect", { x: left, y: PUSH_Y, width: right - left, height: BAR, class: `push ${kind}` }));
      parts.push(this.partName(left, right, text, kind));
    }
    if (parts.length === 1) parts.push(drawn("text", { x: Math.max(LEFT, x(swing.start_s ?? 0)) + 6, y: PUSH_Y + 16 }, words.push));
    return parts;
  }

  /**
   * Name a part of the bar in it; where it is too narrow, beside the bar or under it.
   * @param {number} left
   * @param {number} right
   * @param {string} text
   * @param {string} kind
   */
  partName(left, right, text, kind) {
    const [middle, y] = [(left + right) / 2, PUSH_Y + 16];
    if (right - left > 7.5 * text.length) return drawn("text", { x: middle, y, "text-anchor": "middle", class: `in ${kind}` }, text);
    if (kind === "rear") return drawn("text", { x: left - 4, y, "text-anchor": "end" }, text);
    if (kind === "front") return drawn("text", { x: right + 4, y }, text);
    return drawn("text", { x: middle, y: y + BAR + 4, "text-anchor": "middle" }, text);
  }

  /** @param {any} swing */
  inWords(swing) {
    const start = swing.start_s;
    const after = (/** @type {string} */ key, /** @type {string} */ name) =>
      swing[key] == null || start == null ? `${name} not seen` : `${name} +${(swing[key] - start).toFixed(2)} s`;
    const { transfer_s: transfer, travel_from: begun, midfoot_impulse_share: midfoot } = swing.push;
    return [
      after("trail_peak_s", "trail peak"),
      after("shift_s", "shift"),
      after("lead_peak_s", "lead peak"),
      begun == null ? "" : `push begun at ${(100 * begun).toFixed(0)} % of the foot`,
      transfer == null ? "no transfer time" : `transfer ${transfer.toFixed(2)} s`,
      midfoot == null ? "" : `${(100 * midfoot).toFixed(0)} % of its load on the midfoot`,
      swing.load_tempo == null ? "" : `load tempo ${swing.load_tempo.toFixed(1)}`,
    ].filter(Boolean).join(", ");
  }
}
