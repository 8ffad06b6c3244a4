/** Both feet side by side, seen from above, and beneath each what it carries. */

import { colours, fitted, made, part, write } from "./dom.js";
import { Foot } from "./foot.js";
import { Scale } from "./scale.js";
import { Ticker } from "./ticker.js";
import { number, percent } from "./units.js";

const GAP_MM = 14;
const TEXT_MS = 160; // figures that change faster are not read, and cost the most to draw
const SIDES = /** @type {const} */ (["left", "right"]);

export class Feet {
  /** @param {(sentMs: number) => void} [onDrawn] told when a frame's picture was handed over */
  constructor(onDrawn) {
    this.onDrawn = onDrawn;
    this.canvas = /** @type {HTMLCanvasElement} */ (part("feet"));
    this.figures = /** @type {HTMLCanvasElement} */ (part("feet-numbers"));
    this.ticker = new Ticker(() => this.draw());
    /** @type {Record<"left" | "right", Foot> | null} */
    this.feet = null;
    this.lead = "left";
    this.top = 100; // reading at the scale's end: the gateway says it, for all devices alike
    this.textMs = -Infinity;
    this.later = 0;
    this.sentMs = 0;
    this.numbers = false;
    new ResizeObserver(() => this.lay()).observe(this.canvas);
    document.addEventListener("theme", () => this.paint());
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.paint());
    this.paint();
  }

  /** @param {any} hello */
  hello({ layout, lead, scale_top: top }) {
    if (!layout) return; // no gateway is running
    const same = JSON.stringify(layout) === this.known;
    this.lead = lead;
    if (top) this.top = top;
    if (!same) {
      this.known = JSON.stringify(layout);
      this.layout = layout;
      this.feet = { left: new Foot(layout, true), right: new Foot(layout, false) };
      this.table();
    }
    for (const side of SIDES) {
      write(part(`${side}-role`), side === lead ? "lead" : "trail");
      part(`${side}-foot`).classList.toggle("trail", side !== lead);
    }
    this.lay();
  }

  /** @param {any} frame */
  frame({ t_s: tS, feet, sent_ms: sentMs }) {
    if (!this.feet) return;
    for (const side of SIDES) {
      this.feet[side].take(tS, feet[side]);
    }
    this.sentMs = sentMs;
    this.ticker.request();
  }

  /** What is shown is no longer live: the feet fade, the figures go. */
  lost() {
    for (const side of SIDES) {
      write(part(`${side}-load`), "no data");
      write(part(`${side}-cop`), "");
      if (this.feet) this.feet[side].frame = null;
    }
    this.draw();
    this.drawFigures();
    this.textMs = -Infinity; // the next picture's figures at once
  }

  /** Take the page's colours again. */
  paint() {
    this.colours = colours("paper", "panel", "ink", "muted", "edge", "lead", "trail", "warn");
    const dark = getComputedStyle(document.documentElement).colorScheme.includes("dark");
    this.scale = new Scale(dark);
    this.full = 0; // the legend too
    this.textMs = -Infinity;
    this.ticker.request();
  }

  /** Give each foot its place on the canvas. */
  lay() {
    if (!this.feet || !this.layout) return;
    const { width, height } = fitted(this.canvas);
    fitted(this.figures);
    const { width_mm: wide, length_mm: long } = this.layout;
    const perMm = Math.max(0.1, Math.min((width - 12) / (2 * wide + GAP_MM), (height - 12) / long));
    const top = (height - perMm * long) / 2;
    const x = width / 2 - perMm * (wide + GAP_MM / 2);
    this.feet.left.place(x, top, perMm);
    this.feet.right.place(width / 2 + perMm * (GAP_MM / 2), top, perMm);
    this.textMs = -Infinity;
    this.ticker.request();
  }

  /** @returns {import("./foot.js").Look} */
  look() {
    return { colours: this.colours ?? {}, scale: this.scale ?? new Scale(false), full: this.full || 1, numbers: this.numbers };
  }

  draw() {
    if (!this.feet) return;
    const { context, width, height } = fitted(this.canvas);
    if (!width) return; // the large type is shown instead
    if (this.top !== this.full) this.legend(this.top);
    context.clearRect(0, 0, width, height);
    for (const side of SIDES) this.feet[side].draw(context, this.look(), side !== this.lead);
    const now = performance.now();
    const known = SIDES.some((side) => this.feet?.[side].frame);
    const wait = this.textMs + TEXT_MS - now;
    if (known && wait <= 0) {
      this.textMs = now;
      this.drawFigures();
      this.writeTexts();
    } else if (known) {
      clearTimeout(this.later); // a last picture's figures are written too
      this.later = setTimeout(() => this.ticker.request(), wait);
    }
    if (this.onDrawn && this.sentMs) this.onDrawn(this.sentMs);
    this.sentMs = 0;
  }

  drawFigures() {
    if (!this.feet) return;
    const { context, width, height } = fitted(this.figures);
    context.clearRect(0, 0, width, height);
    for (const side of SIDES) this.feet[side].drawNumbers(context, this.look());
  }

  writeTexts() {
    for (const side of SIDES) {
      const frame = this.feet?.[side].frame;
      if (!frame) continue;
      const load = `${number(frame.load_bw, 2, "× BW")}, ${number(frame.load_n, 0, "N")}`;
      write(part(`${side}-load`), frame.away ? "away" : load);
      const cop = frame.cop && `CoP at ${percent(frame.cop[1])} of length`;
      write(part(`${side}-cop`), frame.away ? "" : (cop ?? "no CoP: too little load"));
      if (/** @type {HTMLDetailsElement} */ (part("readings")).open) {
        this.readings?.[side].forEach((cell, i) => {
          const value = frame.away ? null : frame.zones?.[i];
          write(cell, value == null ? "–" : String(Math.round(value)));
        });
      }
    }
  }

  /**
   * Show each zone's reading as a figure, or how much of it is filled.
   * @param {boolean} on
   */
  showNumbers(on) {
    this.numbers = on;
    this.textMs = -Infinity;
    this.ticker.request();
    this.drawFigures();
  }

  /** The figures once more as a table, for those who do not see the canvas. */
  table() {
    const body = part("readings").querySelector("tbody");
    if (!body || !this.layout) return;
    write(part("readings-unit"), this.layout.unit);
    /** @type {Record<string, HTMLElement[]>} */
    const readings = { left: [], right: [] };
    body.replaceChildren(
      ...this.layout.zones.map((/** @type {import("./sole.js").Zone} */ zone) => {
        const row = made("tr");
        const name = made("th", `${zone.id} ${zone.region}`);
        name.setAttribute("scope", "row");
        row.append(name);
        for (const side of SIDES) {
          const cell = made("td", "–", "number");
          readings[side].push(cell);
          row.append(cell);
        }
        return row;
      }),
    );
    this.readings = readings;
  }

  /** @param {number} full reading at the scale's end */
  legend(full) {
    this.full = full;
    write(part("scale-most"), `${full} ${this.layout?.unit ?? ""}`);
    const { context, width, height } = fitted(/** @type {HTMLCanvasElement} */ (part("scale")));
    const fills = this.scale?.fills ?? [];
    fills.forEach((fill, i) => {
      context.fillStyle = fill;
      context.fillRect((width * i) / fills.length, 0, width / fills.length + 1, height);
    });
  }
}
