/** The drill: which, how often the player is told, and how it goes. */

import { made, part, write } from "./dom.js";
import { UNTOLD } from "./outcome.js";

const FEEDBACK = /** @type {Record<string, string>} */ ({
  every: "after every one",
  other: "every other one",
  ask: "only when asked",
  silent: "never (still counted)",
});

const VERDICT = /** @type {Record<string, string>} */ ({
  good: "✓ counts",
  missed: "✗ does not count",
  unclear: "? unclear",
});

export class DrillPanel {
  /** @param {(message: object) => boolean} send */
  constructor(send) {
    this.send = send;
    this.name = "";
    this.often = "every";
    this.choice = /** @type {HTMLSelectElement} */ (part("drill-choice"));
    this.feedback = /** @type {HTMLSelectElement} */ (part("drill-feedback"));
    this.feedback.replaceChildren(...Object.entries(FEEDBACK).map(([value, text]) => option(value, text)));
    this.choice.addEventListener("change", () => this.choose(null)); // the drill's own way of telling
    this.feedback.addEventListener("change", () => this.choose(this.feedback.value));
    part("drill-ask").addEventListener("click", () => send({ type: "ask" }));
  }

  /** @param {string | null} feedback */
  choose(feedback) {
    this.send({ type: "drill", name: this.choice.value || null, feedback });
  }

  /** What was chosen may have been refused: what holds is shown. @param {any} message */
  said({ level }) {
    if (level === "warn") this.hold(this.name, this.often);
  }

  lost() {
    this.hold(this.name, this.often);
  }

  /** Show what holds. @param {string} name @param {string} often */
  hold(name, often) {
    [this.name, this.often] = [name, often];
    this.choice.value = name;
    this.feedback.value = often;
  }

  /** @param {any} hello */
  hello({ drills, drill, rights }) {
    this.choice.replaceChildren(option("", "none"), ...drills.map((/** @type {any} */ d) => option(d.name, d.title)));
    part("drill-setting").hidden = rights === "player";
    if (drill) this.drill(drill);
    else this.none();
  }

  /** @param {string} [often] how often pushes are told without a drill */
  none(often = "every") {
    this.hold("", often);
    part("drill-score").hidden = true;
    write(part("drill-title"), "No drill");
    write(part("drill-goal"), "");
    write(part("drill-counts"), "");
  }

  /** @param {any} drill */
  drill({ name, title, goal, counts, feedback, good, tried, unclear, streak, best, last }) {
    if (!name) {
      this.none(feedback);
      return;
    }
    this.hold(name, feedback);
    part("drill-score").hidden = false;
    write(part("drill-title"), title);
    write(part("drill-goal"), goal);
    write(part("drill-counts"), `Counts: ${counts}`);
    const isTold = good !== null; // a player's page is told no outcome that is to be silent
    write(part("drill-good"), isTold ? `${good} of ${tried}` : "–");
    write(part("drill-unclear"), unclear ? `${unclear} unclear` : "");
    write(part("drill-streak"), isTold ? `${streak}` : "–");
    write(part("drill-best"), isTold ? `${best}` : "–");
    write(part("drill-last"), last ? (isTold ? `${VERDICT[last.verdict]}: ${last.words}` : UNTOLD) : "");
  }
}

/**
 * @param {string} value
 * @param {string} text
 * @returns {HTMLElement}
 */
function option(value, text) {
  const element = made("option", text);
  element.setAttribute("value", value);
  return element;
}
