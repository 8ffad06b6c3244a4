/**
 * Large type: the drill's verdict on each repetition, to be read from three metres.
 *
 * An x of 12 minutes of arc at 3 m is 10.5 mm high: 63 CSS pixels on a phone that shows 390 of them
 * over 65 mm, and fewer on a tablet (820 over 160 mm). What is far is never smaller, whatever the
 * letter's own proportions; a word too long for the screen is squeezed in width, never in height. Where
 * there is no room for so many rows, words share one. On a phone held sideways there is room for two
 * rows of such letters: the verdict and the number share one, and the line has the other, as narrow as
 * it must be.
 */

import { made, part, write } from "./dom.js";
import { UNTOLD } from "./outcome.js";

export const LEAST_X_PX = 65; // two more: edges fade
const GROWTH = [2.2, 1.8, 1.5, 1.25, 1.1, 1];
const NARROWEST = 0.55; // of a letter's own width; the drill file's limits keep words wider
const NARROWEST_ROW = 0.45; // of a row's words that would need another row
const SPACE_PX = 12; // for the space between two parts of a row, and rounding
const SIDEWAYS = matchMedia("(max-height: 500px) and (min-aspect-ratio: 1)"); // as live.css says
const KEY = "plantigrade-large";
const WORD = /** @type {Record<string, string>} */ ({ good: "Yes", missed: "No", unclear: "?" });

/**
 * @param {Element} element
 * @returns {number} height of an x per pixel of font size, in the element's letters
 */
function aspect(element) {
  const context = document.createElement("canvas").getContext("2d");
  if (!context) throw new Error("this browser draws no canvas");
  const { fontFamily, fontWeight } = getComputedStyle(element);
  context.font = `${fontWeight} 100px ${fontFamily}`;
  return context.measureText("x").actualBoundingBoxAscent / 100;
}

export class Large {
  /** Remember for this tab, which a phone in the pocket may load anew. @param {boolean} on */
  static keep(on) {
    try {
      sessionStorage.setItem(KEY, on ? "on" : "");
    } catch {
      // nothing can be kept here: it is pressed again
    }
  }

  /** @returns {boolean} whether this tab was left in large type */
  static wanted() {
    try {
      return sessionStorage.getItem(KEY) === "on";
    } catch {
      return false;
    }
  }

  constructor() {
    this.view = part("large-view");
    this.drilling = this.stopped = false;
    /** @type {any} */
    this.last = null; // the last swing
    /** @type {any} */
    this.drilled = { name: null }; // what was told of the drill last
    this.waits = ""; // what is said while nothing is shown yet
    new ResizeObserver(() => this.fit()).observe(document.body);
  }

  /** @param {any} hello */
  hello({ swing, drill, phase, check }) {
    this.last = swing;
    this.stopped = false;
    this.drill(drill ?? { name: null });
    if (phase) this.phase(phase);
    if (check) this.check(check);
  }

  /** Nothing is shown yet. @param {string} why @param {boolean} [comes] a swing is on the way */
  ready(why, comes = false) {
    this.show("", "Ready", "", "", "", comes ? "A swing is on the way." : why);
    this.waits = why;
  }

  /** @param {any} phase of a swing on the way, or of one that is none after all */
  phase({ kind }) {
    if (this.waits) this.ready(this.waits, kind !== "cancelled");
  }

  /** Without a drill there is no verdict: the push in words. @param {any} message */
  swing(message) {
    this.last = message;
    if (this.drilling || this.stopped) return;
    const { n, words, silent, counts: { swings, good } } = message;
    if (silent) {
      this.silent(n, "swing");
      return;
    }
    const score = `${good} of ${swings} good pushes`;
    this.show("", words.push, `${n}`, "swing", score, `Lead heel ${words.heel_lift}.`);
  }

  /** @param {any} check one that was stopped is all there is to read */
  check({ on, phase }) {
    const was = this.stopped;
    this.stopped = Boolean(on && phase === "stopped");
    if (this.stopped) this.show("", "Stop", "", "", "", "");
    else if (was) this.drill(this.drilled); // ended, or taken back
  }

  /** What is to be silent is so to the eye, too. @param {number} n @param {string} what */
  silent(n, what) {
    this.show("", "Silent", `${n}`, what, "", UNTOLD);
  }

  /** @param {any} drill */
  drill(drill) {
    const { name, title, feedback, good, tried, streak, last } = drill;
    this.drilled = drill;
    this.drilling = Boolean(name);
    if (this.stopped) return;
    if (!this.drilling && this.last) {
      this.swing(this.last);
      return;
    }
    if (!last) {
      this.ready(title ?? "No swing yet.");
      return;
    }
    if (last.silent) {
      this.silent(last.n, last.what);
      return;
    }
    if (!last.told) {
      const why = feedback === "ask" ? "Told when somebody asks." : "Not told: the drill’s feedback is less often.";
      this.show("", "Noted", `${last.n}`, last.what, "", why);
      return;
    }
    const score = `${good} of ${tried} good, ${streak} in a row`;
    this.show(last.verdict, last.line, `${last.n}`, last.what, score, last.words);
  }

  /**
   * @param {string} verdict
   * @param {string} line
   * @param {string} number
   * @param {string} what
   * @param {string} score
   * @param {string} exact
   */
  show(verdict, line, number, what, score, exact) {
    this.waits = "";
    this.view.dataset.verdict = verdict;
    part("large-verdict").hidden = !verdict;
    this.words("large-word", WORD[verdict] ?? "");
    this.words("large-line", line);
    this.words("large-number", number);
    part("large-count").hidden = !number;
    write(part("large-what"), what);
    write(part("large-score"), score);
    write(part("large-exact"), exact);
    if (number && document.body.classList.contains("large")) {
      const outcome = [WORD[verdict], line].filter(Boolean).join(", ");
      write(part("announced"), `${what[0].toUpperCase()}${what.slice(1)} ${number}: ${outcome}. ${exact}`);
    }
    this.fit();
  }

  /**
   * Write a text word by word: each can be squeezed by itself.
   * @param {string} id
   * @param {string} text
   */
  words(id, text) {
    part(id).replaceChildren(...text.split(/\s+/).map((word) => made("span", word, "squeezed")));
  }

  /** As large as the screen has room for, and never smaller than is read. */
  fit() {
    const { width, top } = this.view.getBoundingClientRect();
    if (!width) return; // another view is shown
    const least = LEAST_X_PX / aspect(this.view);
    const after = [...document.querySelectorAll(".bar, footer")].map((one) => one.getBoundingClientRect().height);
    const below = SIDEWAYS.matches ? 0 : after.reduce((sum, height) => sum + height, 16);
    const room = innerHeight - (top + scrollY) - below;
    for (const growth of GROWTH) {
      const narrowest = this.at(growth * least, width);
      if (growth === 1 || (narrowest === 1 && this.view.scrollHeight <= room)) break;
    }
    if (this.view.scrollHeight > room) this.abreast(width);
  }

  /**
   * @param {number} size of the letters, CSS pixels
   * @param {number} width
   * @returns {number} how far the widest word had to be squeezed
   */
  at(size, width) {
    part("main").style.setProperty("--far", `${size}px`);
    for (const far of /** @type {NodeListOf<HTMLElement>} */ (this.view.querySelectorAll(".far"))) {
      far.style.fontSize = `${size}px`;
    }
    const words = squeezable(this.view);
    for (const word of words) squeeze(word, 1);
    const by = words.map((word) => Math.max(NARROWEST, Math.min(1, width / word.offsetWidth)));
    words.forEach((word, i) => squeeze(word, by[i]));
    return Math.min(1, ...by);
  }

  /** Squeeze each row's words until they stand side by side. @param {number} width */
  abreast(width) {
    const line = part("large-line");
    pack(squeezable(line), width, parseFloat(getComputedStyle(line).columnGap));
    if (!SIDEWAYS.matches) {
      for (const id of ["large-verdict", "large-count"]) rowOf([part(id)], width);
      return;
    }
    const stop = part("pain-stop");
    const taken = stop.hidden ? 0 : stop.offsetWidth;
    rowOf([part("large-verdict"), part("large-count")].filter((one) => !one.hidden), width - taken);
  }
}

/** @param {Element} within @returns {HTMLElement[]} */
function squeezable(within) {
  return [...within.querySelectorAll(".squeezed")].map((word) => /** @type {HTMLElement} */ (word));
}

/**
 * @param {HTMLElement} word
 * @param {number} by of its own width
 */
function squeeze(word, by) {
  word.style.transform = by === 1 ? "" : `scaleX(${by})`;
  word.style.marginRight = by === 1 ? "" : `${-word.offsetWidth * (1 - by)}px`;
}

/**
 * Squeeze words into as few rows as lets them be read.
 * @param {HTMLElement[]} words
 * @param {number} width
 * @param {number} gap between two of them
 */
function pack(words, width, gap) {
  const by = (/** @type {HTMLElement[]} */ row) =>
    (width - SPACE_PX - gap * (row.length - 1)) / row.reduce((sum, word) => sum + word.offsetWidth, 0);
  /** @type {HTMLElement[][]} */
  const rows = [];
  for (const word of words) {
    const row = rows[rows.length - 1];
    if (row && by([...row, word]) >= NARROWEST_ROW) row.push(word);
    else rows.push([word]);
  }
  for (const row of rows) {
    for (const word of row) squeeze(word, Math.max(NARROWEST_ROW, Math.min(1, by(row))));
  }
}

/**
 * Squeeze all words of parts that stand side by side, where that lets them.
 * @param {HTMLElement[]} parts
 * @param {number} width
 */
function rowOf(parts, width) {
  const words = parts.flatMap(squeezable);
  const before = words.map((word) => [word.style.transform, word.style.marginRight]);
  for (const word of words) squeeze(word, 1);
  for (const one of parts) one.style.flexWrap = "nowrap";
  const wide = words.reduce((sum, word) => sum + word.offsetWidth, 0);
  const rest = parts.reduce((sum, one) => sum + span(one), 0) - wide;
  for (const one of parts) one.style.flexWrap = "";
  const by = (width - rest - SPACE_PX) / wide;
  words.forEach((word, i) => {
    if (by >= NARROWEST_ROW) squeeze(word, Math.min(1, by));
    else [word.style.transform, word.style.marginRight] = before[i];
  });
}

/** @param {HTMLElement} row @returns {number} how far its content reaches, with its own margins */
function span(row) {
  const { left } = row.getBoundingClientRect();
  const ends = [...row.querySelectorAll(".squeezed, .near, svg")].map((one) => one.getBoundingClientRect().right);
  return Math.max(0, ...ends) - left + parseFloat(getComputedStyle(row).marginRight);
}
