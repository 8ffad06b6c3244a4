/** The one button that stops a speed block: the coach's and the player's. */

import { part, write } from "./dom.js";

export class PainStop {
  /** @param {(message: object) => void} send */
  constructor(send) {
    part("pain-stop").addEventListener("click", () => send({ type: "check", do: "pain" }));
  }

  /** @param {any} message */
  hello({ check }) {
    this.check(check ?? { on: false });
  }

  /** @param {any} message */
  check({ on, look, phase, may, advice }) {
    const isBlock = on && look === "block";
    part("pain-stop").hidden = !isBlock || !may.includes("pain");
    part("pain-advice").hidden = !isBlock || phase !== "stopped";
    write(part("pain-advice"), isBlock ? advice : "");
  }
}
