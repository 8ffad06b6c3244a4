/** The one button that stops all that goes on: the coach's and the player's, in every drill and check. */

import { part, write } from "./dom.js";

export class PainStop {
  /** @param {(message: object) => void} send */
  constructor(send) {
    this.recording = this.coachs = false;
    part("pain-stop").addEventListener("click", (event) => event.detail < 2 && send({ type: "check", do: "pain" }));
  }

  /** @param {any} hello */
  hello({ session, check, rights }) {
    this.recording = session?.recording ?? false;
    this.coachs = rights === "coach";
    this.check(check ?? { on: false });
  }

  /** @param {any} message */
  check({ on, look, phase, may, advice, hold }) {
    part("pain-stop").hidden = !this.recording || (on && !may.includes("pain"));
    part("pain-stop").classList.toggle("tall", on && look === "block");
    const stopped = on && phase === "stopped" ? advice : hold ? `This visit was stopped (${hold}): no drill.` : "";
    part("pain-advice").hidden = !stopped;
    write(part("pain-advice"), stopped);
    part("pain-check").hidden = !stopped || !this.coachs;
  }
}
