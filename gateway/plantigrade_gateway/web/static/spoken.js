/** Outcomes in words, by this browser's own voice, at the viewer's choice. */

import { part, write } from "./dom.js";

const WORD = /** @type {Record<string, string>} */ ({ good: "Yes", missed: "No", unclear: "Unclear" });

export class Spoken {
  /** @param {(on: boolean) => void} told whenever the voice is chosen, or no longer */
  constructor(told = () => {}) {
    this.told = told;
    this.button = /** @type {HTMLButtonElement} */ (part("sound-say"));
    this.on = false;
    this.drilling = false;
    this.silent = false;
    this.button.addEventListener("click", () => this.choose(!this.on));
  }

  /** @param {boolean} on */
  choose(on) {
    if (!("speechSynthesis" in window)) {
      write(this.button, "This browser has no voice");
      this.button.disabled = true;
      return;
    }
    this.on = on;
    this.told(on);
    this.button.setAttribute("aria-pressed", String(on));
    if (on) this.say("Outcomes are said."); // browsers want the first words in a press
    else speechSynthesis.cancel();
  }

  /** @param {any} hello */
  hello({ drill }) {
    this.drilling = Boolean(drill?.name);
    this.silent = drill?.feedback === "silent";
    this.tried = counted(drill);
    this.wasTold = Boolean(drill?.last?.told);
  }

  /** @param {any} drill said once for each repetition that is told */
  drill(drill) {
    this.drilling = Boolean(drill.name);
    this.silent = drill.feedback === "silent";
    const tried = counted(drill);
    const { last } = drill;
    const isAsked = tried > 0 && tried === this.tried && !this.wasTold;
    if (last?.told && !last.silent && (tried > (this.tried ?? 0) || isAsked)) this.say(`${[...new Set([WORD[last.verdict], last.line])].join(". ")}.`);
    this.tried = tried;
    this.wasTold = Boolean(last?.told);
  }

  /** @param {any} message */
  swing({ words }) {
    if (!this.drilling && !this.silent && words) this.say(words.push);
  }

  /** @param {string} text what is old news when another comes is left out */
  say(text) {
    if (!this.on) return;
    speechSynthesis.cancel();
    speechSynthesis.speak(new SpeechSynthesisUtterance(text));
  }

  lost() {
    if (this.on) speechSynthesis.cancel();
  }
}

/** @param {any} drill @returns {number} repetitions so far */
function counted(drill) {
  return drill?.name ? (drill.tried ?? 0) + (drill.unclear ?? 0) : 0; // null: not told
}
