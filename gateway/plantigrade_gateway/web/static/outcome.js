/** What the last swing did, in words; and what has happened besides. */

import { made, part, write } from "./dom.js";
import { clock } from "./units.js";

const KEPT = 6;
const PHASE_S = 3; // a phase that nothing follows is over
export const UNTOLD = "Not told now, and counted all the same.";

export class Outcome {
  constructor() {
    this.log = part("log");
    this.tS = 0;
    this.over = 0;
    /** @type {Set<string>} what is or was listed */
    this.listed = new Set();
  }

  /** @param {any} hello */
  hello({ session, swing, counts, recent, phase }) {
    if (session?.id !== this.session) {
      this.log.replaceChildren();
      this.listed.clear();
      this.tS = 0;
    }
    for (const message of recent ?? []) this.happened(message, false); // what came while there was no connection, too
    this.session = session?.id;
    this.count(counts ?? { swings: 0, good: 0 });
    this.none = !swing;
    if (swing) this.swing(swing, false);
    else part("outcome").className = "";
    if (phase) this.phase(phase);
    else this.lost();
  }

  /** @param {any} frame */
  frame({ t_s: tS }) {
    this.tS = tS;
  }

  /** @param {any} phase */
  phase({ kind, words }) {
    this.lost();
    write(part("phase"), `Now: ${words}`);
    if (this.none && kind !== "cancelled") write(part("outcome"), "A swing is on the way.");
    this.over = setTimeout(() => this.lost(), 1000 * PHASE_S); // whether or not pictures come
  }

  /**
   * @param {any} message what the player is not to be told is not in it
   * @param {boolean} [fresh] not one that was told before
   */
  swing({ n, swing, words, good, counts }, fresh = true) {
    this.none = false;
    this.count(counts);
    const gap = swing?.touches_gap ? " Samples are missing in it." : "";
    this.untold = words ? 0 : n;
    const text = words ? `Swing ${n}: push ${words.push}; lead heel ${words.heel_lift}.${gap}` : `Swing ${n}. ${UNTOLD}`;
    write(part("outcome"), text);
    if (fresh && !document.body.classList.contains("large")) write(part("announced"), text); // large.js says its own
    part("outcome").className = good ? "good" : "";
    this.lost();
    if (fresh) this.happened({ type: "swing", n, swing, words });
  }

  /** What was not told of a swing is, once somebody has asked. @param {any} drill */
  drill({ last }) {
    if (!this.untold || !last?.told || last.silent || last.what !== "swing" || last.n !== this.untold) return;
    this.untold = 0;
    write(part("outcome"), `Swing ${last.n}: ${last.words}.`);
  }

  /** @param {{swings: number, good: number | null}} counts */
  count({ swings, good }) {
    write(part("count"), swings && good !== null ? `${good} of ${swings} good pushes` : "");
  }

  /** What was under way is not known any more. */
  lost() {
    clearTimeout(this.over);
    write(part("phase"), "");
    if (this.none) write(part("outcome"), "No swing yet.");
  }

  /** @param {any} message */
  step(message) {
    this.happened(message);
  }

  /** @param {any} message */
  stand(message) {
    this.happened(message);
  }

  /**
   * List a step, a stand or a swing, once, at the time at which it began, as stored sessions list it.
   * @param {any} message
   * @param {boolean} [fresh] it is new: what is older and does not say when it began has no place here
   */
  happened({ type, n, swing, step, stand, words }, fresh = true) {
    const which = `${type} ${n ?? stand.end_s}`;
    if (this.listed.has(which) || (type === "swing" && !swing && !fresh)) return;
    this.listed.add(which);
    if (type === "swing") this.add(swing?.start_s ?? swing?.address_s, `swing ${n}${words ? `: ${words.push}` : ""}`);
    else if (type === "step") this.add(step.strike_s, `step ${n}: ${words}`);
    else this.add(stand.start_s, `stand: ${words}`);
  }

  /** @param {any} message */
  said({ text, level }) {
    this.add(this.tS, text, level === "warn" ? "bad" : "");
    if (level !== "warn") return;
    part("notice").hidden = false;
    write(part("notice-text"), text);
  }

  /**
   * List something, the latest first.
   * @param {number | null | undefined} tS a player's page is not told it of a silent swing: listed as now
   * @param {string} text
   * @param {string} [kind]
   */
  add(tS, text, kind = "") {
    const entry = made("li", "", kind);
    const placedS = tS ?? this.tS;
    entry.dataset.t = `${placedS}`;
    entry.append(made("span", clock(tS), "number muted"), ` ${text}`);
    const listed = /** @type {HTMLElement[]} */ ([...this.log.children]);
    this.log.insertBefore(entry, listed.find((one) => Number(one.dataset.t) <= placedS) ?? null);
    while (this.log.children.length > KEPT) this.log.lastElementChild?.remove();
  }
}
