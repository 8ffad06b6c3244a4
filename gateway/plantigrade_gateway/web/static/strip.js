/** The last swing as a strip: its moments, the lead heel's lift and the trail foot's push. */

import { part } from "./dom.js";
import { Labels } from "./labels.js";

const SVG = "http://www.w3.org/2000/svg";
const HEIGHT = 166;
const LEFT = 78; // room for the bars' names
const BEFORE_S = 0.05;
const AFTER_S = 0.15;
const [AXIS_Y, HEEL_Y, PUSH_Y, BAR] = [66, 84, 118, 22];

const SIZE = 14; // of the letters
const ROWS = [16, 34, 52]; // baselines of the moments' names

/** The moments, each with the row its name stands in where that is free, and on which side. */
const MOMENTS = [
  { key: "start_s", text: "start", row: 2, anchor: "start" },
  { key: "trail_peak_s", text: "trail peak", row: 1, anchor: "end" },
  { key: "shift_s", text: "shift", row: 2, anchor: "start" },
  { key: "lead_peak_s", text: "lead peak", row: 0, anchor: "end" },
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
    this.labels = new Labels(SIZE, 0, 0);
    new ResizeObserver(() => this.draw()).observe(this.svg);
  }

  /** @param {any} hello */
  hello({ swing }) {
    if (swing) this.swing(swing);
    else this.nothing("Shown when there is a swing.");
  }

  /** @param {string} why */
  nothing(why) {
    this.last = null;
    this.svg.setAttribute("hidden", "");
    part("strip-text").textContent = why;
  }

  /** @param {any} message */
  swing(message) {
    if (!message.words) {
      this.nothing("Not shown now.");
      return;
    }
    this.last = message;
    this.svg.removeAttribute("hidden");
    part("strip-text").textContent = this.inWords(message.swing, message.words);
    this.draw();
  }

  /** One unit is one pixel, so that the letters keep their size. */
  draw() {
    const width = this.svg.getBoundingClientRect().width;
    if (!this.last || !width) return;
    this.right = width - 6;
    this.labels = new Labels(SIZE, 0, width);
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
    for (const { key, text, row, anchor } of MOMENTS) {
      if (swing[key] == null) continue;
      const at = x(swing[key]);
      const sides = anchor === "end" ? ["end", "start"] : ["start", "end"];
      const rows = [ROWS[row], ...ROWS.filter((y) => y !== ROWS[row])];
      const places = rows.flatMap((y) => sides.map((side) => ({ x: side === "end" ? at + 3 : at - 3, y, anchor: side })));
      const { label, place } = this.named(text, places);
      const top = place ? place.y + 4 : AXIS_Y;
      parts.push(drawn("line", { x1: at, x2: at, y1: top, y2: PUSH_Y + BAR + 4, class: "moment" }), ...label);
    }
    return parts;
  }

  /**
   * A label at the first of its places that is free; none where none is.
   * @param {string} text
   * @param {any[]} places
   * @param {string} [kind] its class
   */
  named(text, places, kind = "") {
    const place = this.labels.place(text, places);
    if (!place) return { label: [], place };
    const { x, y, anchor } = place;
    return { label: [drawn("text", { x, y, "text-anchor": anchor, class: kind }, text)], place };
  }

  /**
   * @param {any} swing
   * @param {any} words
   * @param {(t: number) => number} x
   */
  heel(swing, words, x) {
    const lift = swing.heel_lift;
    const y = HEEL_Y + 16;
    const parts = this.named("lead heel", [{ x: 0, y, anchor: "start" }], "name").label;
    if (lift.lift_s == null || lift.return_s == null) {
      const at = Math.max(LEFT, x(swing.start_s ?? 0)) + 6;
      return [...parts, ...this.named(words.heel_lift, [{ x: at, y, anchor: "start" }]).label];
    }
    const [from, to] = [x(lift.lift_s), x(lift.return_s)];
    const beside = [{ x: from - 6, y, anchor: "end" }, { x: to + 6, y, anchor: "start" }];
    return [
      ...parts,
      drawn("rect", { x: from, y: HEEL_Y, width: to - from, height: BAR, class: "lift" }),
      ...this.named(words.heel_lift, beside).label,
    ];
  }

  /**
   * @param {any} swing
   * @param {any} words
   * @param {(t: number) => number} x
   */
  push(swing, words, x) {
    const y = PUSH_Y + 16;
    const parts = this.named("trail push", [{ x: 0, y, anchor: "start" }], "name").label;
    const begin = swing.push.path_t_s[0] ?? swing.trail_peak_s;
    const bars = pushParts(swing.push, begin);
    for (const { from, to, text, kind } of bars) {
      const [left, right] = [x(from), x(to)];
      parts.push(drawn("rect", { x: left, y: PUSH_Y, width: right - left, height: BAR, class: `push ${kind}` }));
      parts.push(...this.partName(left, right, text, kind));
    }
    if (bars.length) return parts;
    const at = Math.max(LEFT, x(swing.start_s ?? 0)) + 6;
    return [...parts, ...this.named(words.push, [{ x: at, y, anchor: "start" }]).label];
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
    if (right - left > 7.5 * text.length) return this.named(text, [{ x: middle, y, anchor: "middle" }], `in ${kind}`).label;
    const under = { x: middle, y: y + BAR + 4, anchor: "middle" };
    if (kind === "rear") return this.named(text, [{ x: left - 4, y, anchor: "end" }, under]).label;
    if (kind === "front") return this.named(text, [{ x: right + 4, y, anchor: "start" }, under]).label;
    return this.named(text, [under]).label;
  }

  /**
   * @param {any} swing
   * @param {any} words
   */
  inWords(swing, words) {
    const start = swing.start_s;
    const after = (/** @type {string} */ key, /** @type {string} */ name) =>
      swing[key] == null || start == null ? `${name} unclear` : `${name} +${(swing[key] - start).toFixed(2)} s`;
    const { transfer_s: transfer, travel_from: begun, midfoot_impulse_share: midfoot } = swing.push;
    return [
      after("trail_peak_s", "trail peak"),
      after("shift_s", "shift"),
      after("lead_peak_s", "lead peak"),
      begun == null ? "" : `push begun at ${(100 * begun).toFixed(0)} % of the foot`,
      transfer == null ? "no transfer time" : `transfer ${words.transfer}`,
      midfoot == null ? "" : `${(100 * midfoot).toFixed(1)} % of its impulse on the midfoot`,
      swing.load_tempo == null ? "" : `load tempo ${words.load_tempo}`,
    ].filter(Boolean).join(", ");
  }
}
