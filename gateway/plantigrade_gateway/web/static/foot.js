/** One foot drawn on a canvas: the sole, each zone's load, the CoP and its recent path. */

import { FONT, textWidth } from "./labels.js";
import { cells, outline } from "./sole.js";

/** @typedef {import("./sole.js").Layout} Layout */
/** @typedef {import("./sole.js").Point} Point */
/** @typedef {{zones: (number | null)[] | null, load_n: number | null, load_bw: number | null,
 *   cop: Point | null, away: boolean}} FootFrame */
/** @typedef {{colours: Record<string, string>, scale: import("./scale.js").Scale, full: number,
 *   numbers: boolean}} Look */

const PATH_S = 2;
const LEAST_NUMBER_PX = 9; // smaller figures are not read
const WIDEST = "888";
const LINE = 0.8; // height of figures per size, with some air

/**
 * @param {Point[]} points
 * @returns {Path2D} closed
 */
function path(points) {
  const made = new Path2D();
  points.forEach(([x, y], i) => (i ? made.lineTo(x, y) : made.moveTo(x, y)));
  made.closePath();
  return made;
}

export class Foot {
  /**
   * @param {Layout} layout
   * @param {boolean} left the left foot is the right one's mirror
   */
  constructor(layout, left) {
    this.layout = layout;
    this.left = left;
    this.cells = cells(layout);
    /** @type {FootFrame | null} */
    this.frame = null;
    /** @type {[number, Point | null][]} session time and CoP, where there is one */
    this.trace = [];
  }

  /**
   * Lay the foot into a box; everything drawn later is in its pixels.
   * @param {number} x left edge
   * @param {number} y upper edge
   * @param {number} perMm pixels
   */
  place(x, y, perMm) {
    const { width_mm: wide, length_mm: long } = this.layout;
    /** @param {Point} p @returns {Point} */
    this.at = ([mx, my]) => [x + perMm * (this.left ? wide - mx : mx), y + perMm * (long - my)];
    const at = this.at;
    this.perMm = perMm;
    this.sole = path(outline(this.layout).map(at));
    this.lines = new Path2D();
    this.shapes = this.cells.map(({ points, place }) => {
      const shape = path(points.map(at));
      this.lines?.addPath(shape);
      return { shape, centre: at(place) };
    });
    this.middle = at([wide / 2, long / 2]);
    this.figurePx = this.figureSize();
  }

  /** @returns {number} the largest type in which no two zones' figures touch; 0: none can be read */
  figureSize() {
    const wide = textWidth(WIDEST, `600 100px ${FONT}`) / 100;
    const centres = (this.shapes ?? []).map(({ centre }) => centre);
    let size = 18;
    centres.forEach(([x, y], i) => {
      for (const [otherX, otherY] of centres.slice(i + 1)) {
        // side by side or one above the other: whichever lets them be larger
        const beside = (Math.abs(x - otherX) - 2) / wide;
        const above = Math.abs(y - otherY) / LINE;
        size = Math.min(size, Math.max(beside, above));
      }
    });
    return size < LEAST_NUMBER_PX ? 0 : size;
  }

  /**
   * @param {number} tS
   * @param {FootFrame} frame
   */
  take(tS, frame) {
    if (this.trace.length && tS < this.trace[this.trace.length - 1][0]) this.trace = []; // a new session
    this.frame = frame;
    const { width_mm: wide, length_mm: long } = this.layout;
    const cop = /** @type {Point | null} */ (frame.cop && [frame.cop[0] * wide, frame.cop[1] * long]);
    this.trace.push([tS, cop]);
    while (this.trace[0][0] < tS - PATH_S) this.trace.shift();
  }

  /**
   * @param {CanvasRenderingContext2D} context
   * @param {Look} look
   * @param {boolean} dashed the trail foot's outline
   */
  draw(context, look, dashed) {
    if (!this.sole || !this.lines || !this.shapes) return;
    const { colours } = look;
    context.fillStyle = colours.paper;
    context.fill(this.sole);
    context.lineWidth = 2.5;
    context.strokeStyle = dashed ? colours.trail : colours.lead;
    context.setLineDash(dashed ? [8, 5] : []);
    context.stroke(this.sole);
    context.setLineDash([]);
    if (this.frame?.zones && !this.frame.away) this.drawZones(context, look, this.frame.zones);
    context.lineWidth = 1;
    context.strokeStyle = colours.edge;
    context.stroke(this.lines);
    if (this.frame && !this.frame.away) this.drawTrace(context, colours);
  }

  /**
   * With figures on them cells are filled whole; without, how much of a cell is filled says it too.
   * @param {CanvasRenderingContext2D} context
   * @param {Look} look
   * @param {(number | null)[]} zones
   */
  drawZones(context, look, zones) {
    const dots = context.getTransform().a;
    this.shapes?.forEach(({ shape, centre: [x, y] }, i) => {
      const share = (zones[i] ?? 0) / look.full;
      if (share <= 0.004) return;
      context.fillStyle = look.scale.fills[look.scale.index(share)];
      if (look.numbers && this.figurePx) {
        context.fill(shape);
        return;
      }
      const size = Math.max(0.25, Math.min(1, Math.sqrt(share)));
      context.setTransform(dots * size, 0, 0, dots * size, dots * (1 - size) * x, dots * (1 - size) * y);
      context.fill(shape);
    });
    context.setTransform(dots, 0, 0, dots, 0, 0);
  }

  /**
   * @param {CanvasRenderingContext2D} context
   * @param {Record<string, string>} colours
   */
  drawTrace(context, colours) {
    const at = this.at;
    if (!at) return;
    const line = new Path2D();
    let pen = false;
    for (const [, cop] of this.trace) {
      if (cop) {
        const [x, y] = at(cop);
        if (pen) line.lineTo(x, y);
        else line.moveTo(x, y);
      }
      pen = cop !== null;
    }
    context.lineJoin = "round";
    context.lineWidth = 5; // a halo first: the path crosses light and dark cells
    context.strokeStyle = colours.paper;
    context.stroke(line);
    context.lineWidth = 2.5;
    context.strokeStyle = colours.ink;
    context.stroke(line);
    const now = this.trace[this.trace.length - 1]?.[1];
    if (!now) return;
    const [x, y] = at(now);
    context.beginPath();
    context.arc(x, y, 8, 0, 2 * Math.PI);
    context.fillStyle = colours.ink;
    context.fill();
    context.lineWidth = 3;
    context.strokeStyle = colours.paper;
    context.stroke();
  }

  /**
   * Write each zone's reading on it, or that the foot is away.
   * @param {CanvasRenderingContext2D} context
   * @param {Look} look
   */
  drawNumbers(context, look) {
    if (!this.shapes || !this.frame || !this.middle || !this.perMm) return;
    context.textAlign = "center";
    context.textBaseline = "middle";
    if (this.frame.away) {
      context.font = `700 18px ${FONT}`;
      context.fillStyle = look.colours.warn;
      context.fillText("away", this.middle[0], this.middle[1]);
      return;
    }
    if (!look.numbers || !this.figurePx) return;
    context.font = `600 ${this.figurePx}px ${FONT}`;
    const { zones } = this.frame;
    this.shapes.forEach(({ centre: [x, y] }, i) => {
      const value = zones?.[i];
      const share = (value ?? 0) / look.full;
      const bare = value == null || share <= 0.004;
      context.fillStyle = bare ? look.colours.muted : look.scale.writings[look.scale.index(share)];
      context.fillText(value == null ? "–" : String(Math.round(value)), x, y);
    });
  }
}
