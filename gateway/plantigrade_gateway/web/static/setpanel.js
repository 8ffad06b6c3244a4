/** The set under way, and the buttons that begin one: how the player means to swing, and the club. */

import { made, part, write } from "./dom.js";
import { clock } from "./units.js";

const NO_CLUB = "no club named";

export class SetPanel {
  /** @param {(message: object) => boolean} send */
  constructor(send) {
    this.send = send;
    this.club = /** @type {HTMLSelectElement} */ (part("set-club"));
    this.end = /** @type {HTMLButtonElement} */ (part("set-end"));
    this.may = false;
    this.end.addEventListener("click", () => send({ type: "set_end" }));
  }

  /** @param {any} hello */
  hello({ intents, clubs, session, set, rights }) {
    this.may = rights !== "player" && Boolean(session?.recording);
    part("set-controls").hidden = !this.may;
    part("set-now").hidden = !session?.recording;
    if (intents) this.offer(intents, clubs);
    this.set(set ?? { name: null });
  }

  /**
   * @param {string[]} intents
   * @param {string[]} clubs
   */
  offer(intents, clubs) {
    const said = JSON.stringify([intents, clubs]);
    if (said === this.offered) return; // what is chosen stays
    this.offered = said;
    this.club.replaceChildren(...["", ...clubs].map((club) => {
      const option = made("option", club || NO_CLUB);
      option.setAttribute("value", club);
      return option;
    }));
    part("set-begin").replaceChildren(...intents.map((intent) => {
      const button = made("button", intent[0].toUpperCase() + intent.slice(1));
      button.setAttribute("type", "button");
      button.setAttribute("aria-label", `Begin a ${intent} set`);
      button.addEventListener("click", () => this.begin(intent));
      return button;
    }));
  }

  /** @param {string} intent */
  begin(intent) {
    this.send({ type: "set", intent, club: this.club.value || null });
  }

  /** @param {any} set the one under way */
  set({ name, n, t_s: tS }) {
    write(part("set-now"), name ? `Set ${n}: ${name}, since ${clock(tS)}` : "No set");
    part("set-now").classList.toggle("muted", !name);
    const here = document.activeElement === this.end;
    this.end.hidden = !name || !this.may;
    if (here && this.end.hidden) this.club.focus(); // the pressed one has gone: the next set's comes next
  }

  lost() {
    part("set-controls").hidden = this.end.hidden = true;
  }
}
