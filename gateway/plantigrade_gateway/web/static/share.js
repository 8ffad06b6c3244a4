/** Lead share over the last seconds: how the load moves between the feet, with the swing's phases. */

import { colours, fitted, part, write } from "./dom.js";
import { FONT, Labels } from "./labels.js";
import { Ticker } from "./ticker.js";
import { percent } from "./units.js";

const SHOWN_S = 10;
const PER_SECOND = 15; // ten seconds go by slowly: more is not seen
const TEXT_MS = 250;
const LEFT = 72; // room for the levels' names

/** What stands beside a phase's tick; those not named here have none. */
const TICKS = /** @type {Record<string, string>} */ ({
  backswing: "back",
  shift: "shift",
  heel_lifted: "heel unloaded",
  heel_returned: "heel returned",
});

/**
 * @param {Record<string, {away: boolean}>} feet
 * @returns {string} what is said where there is no share: a foot that is away is not an empty one
 */
export function unknown(feet) {
  const away = ["left", "right"].filter((side) => feet[side]?.away);
  if (!away.length) return "no load";
  return away.length === 2 ? "unknown: both feet away" : `unknown: ${away[0]} foot away`;
}

export class Share {
  constructor() {
    this.canvas = /** @type {HTMLCanvasElement} */ (part("share"));
    /** @type {[number, number | null][]} session time and lead share */
    this.trace = [];
    /** @type {{t: number, kind: string}[]} */
    this.ticks = [];
    this.textMs = -Infinity;
    this.why = ""; // there is no share now
    this.ticker = new Ticker(() => this.draw(), PER_SECOND);
    document.addEventListener("theme", () => this.paint());
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.paint());
    new ResizeObserver(() => this.ticker.request()).observe(this.canvas);
    this.paint();
  }

  paint() {
    this.colours = colours("ink", "muted", "line", "accent", "panel");
    this.ticker.request();
  }

  /** @param {any} frame */
  frame({ t_s: tS, lead_share: share, feet }) {
    this.why = unknown(feet);
    if (this.trace.length && tS < this.trace[this.trace.length - 1][0]) {
      this.trace = []; // a new session
      this.ticks = [];
    }
    this.trace.push([tS, share]);
    while (this.trace[0][0] < tS - SHOWN_S) this.trace.shift();
    while (this.ticks.length && this.ticks[0].t < tS - SHOWN_S) this.ticks.shift();
    this.ticker.request();
  }

  /** @param {any} phase */
  phase({ kind, t_s: t }) {
    if (kind in TICKS) this.ticks.push({ t, kind });
  }

  /** Nothing is known of the load any more. */
  lost() {
    this.why = "no data";
    if (this.trace.length) this.trace.push([this.trace[this.trace.length - 1][0], null]);
    write(part("share-now"), this.why);
  }

  draw() {
    const { context, width, height } = fitted(this.canvas);
    if (!width) return; // the large type is shown instead
    const ink = this.colours ?? {};
    context.clearRect(0, 0, width, height);
    context.font = `12px ${FONT}`;
    const y = (/** @type {number} */ share) => 4 + (height - 8) * (1 - share);
    context.lineWidth = 1;
    for (const [level, text] of /** @type {[number, string][]} */ ([[1, "all on lead"], [0.5, "even"], [0, "all on trail"]])) {
      context.strokeStyle = ink.line;
      context.beginPath();
      context.moveTo(LEFT, y(level));
      context.lineTo(width, y(level));
      context.stroke();
      context.fillStyle = ink.muted;
      context.textAlign = "left";
      context.textBaseline = level === 1 ? "top" : level ? "middle" : "bottom";
      context.fillText(text, 0, y(level));
    }
    const last = this.trace[this.trace.length - 1];
    if (!last) return;
    const x = (/** @type {number} */ t) => width - 4 - ((last[0] - t) / SHOWN_S) * (width - 4 - LEFT);
    this.drawTicks(context, x, height);
    this.drawTrace(context, x, y);
    const now = performance.now();
    if (now - this.textMs >= TEXT_MS) {
      this.textMs = now;
      write(part("share-now"), last[1] == null ? this.why : percent(last[1]));
    }
  }

  /**
   * @param {CanvasRenderingContext2D} context
   * @param {(t: number) => number} x
   * @param {number} height
   */
  drawTicks(context, x, height) {
    const ink = this.colours ?? {};
    context.setLineDash([3, 3]);
    context.strokeStyle = ink.muted;
    context.fillStyle = ink.ink;
    const labels = new Labels(12, LEFT, Infinity);
    this.ticks.forEach(({ t, kind }) => {
      context.beginPath();
      context.moveTo(x(t), 0);
      context.lineTo(x(t), height);
      context.stroke();
      const places = [14, 30, 46].map((y) => ({ x: x(t) - 3, y, anchor: /** @type {const} */ ("end") }));
      const place = labels.place(TICKS[kind], places);
      if (!place) return;
      context.textAlign = "right";
      context.textBaseline = "alphabetic";
      context.fillText(TICKS[kind], place.x, place.y);
    });
    context.setLineDash([]);
  }

  /**
   * @param {CanvasRenderingContext2D} context
   * @param {(t: number) => number} x
   * @param {(share: number) => number} y
   */
  drawTrace(context, x, y) {
    context.beginPath();
    let pen = false;
    for (const [t, share] of this.trace) {
      if (share != null) {
        if (pen) context.lineTo(x(t), y(share));
        else context.moveTo(x(t), y(share));
      }
      pen = share != null;
    }
    context.lineWidth = 3;
    context.lineJoin = "round";
    context.strokeStyle = this.colours?.accent ?? "";
    context.stroke();
  }
}
