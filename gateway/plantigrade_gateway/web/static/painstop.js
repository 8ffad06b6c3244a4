/** The one button that stops all that goes on: the coach's and the player's, in every drill and check. */

import { part, write } from "./dom.js";

const WAITS = "Stop now. The gateway could not be told yet: it is told as soon as the connection is back.";
const NOT_KEPT = "The stop that was pressed is not kept: its session had ended. Stop all the same.";

/** A press on *Pain – stop*, told until it is seen to have stopped: the connection may be lost meanwhile. */
export class StopPress {
  /**
   * @param {() => boolean} tell the gateway; whether there was a connection
   * @param {(text: string) => void} say what has become of the press; empty: nothing is open
   */
  constructor(tell, say) {
    this.tell = tell;
    this.say = say;
    /** @type {string | null} the session under way */
    this.session = null;
    /** @type {string | null} the session of a press that has not stopped anything yet */
    this.pressed = null;
    this.isMissed = false; // what is said is of a session before
  }

  press() {
    this.isMissed = false;
    this.pressed = this.session;
    this.say(this.tell() ? "" : WAITS);
  }

  lost() {
    if (this.pressed) this.say(WAITS);
  }

  /** @param {any} session */
  hello(session) {
    this.session = session?.recording ? session.id : null;
    if (this.isMissed && this.session) {
      this.isMissed = false;
      this.say("");
    }
    if (!this.pressed) return;
    this.isMissed = this.pressed !== this.session;
    if (this.isMissed) this.pressed = null;
    this.say(this.isMissed ? NOT_KEPT : this.tell() ? "" : WAITS);
  }

  /** @param {any} check as it stands now */
  check({ on, phase }) {
    if (!this.pressed || !on || phase !== "stopped") return;
    this.pressed = null;
    this.say("");
  }
}

export class PainStop {
  /** @param {(message: object) => boolean} send */
  constructor(send) {
    this.recording = this.coachs = false;
    this.told = this.waits = "";
    this.stop = new StopPress(() => send({ type: "check", do: "pain" }), (text) => {
      this.waits = text;
      this.show();
    });
    part("pain-stop").addEventListener("click", (event) => event.detail < 2 && this.stop.press());
  }

  /** @param {any} hello */
  hello({ session, check, rights }) {
    this.recording = session?.recording ?? false;
    this.coachs = rights === "coach";
    this.check(check ?? { on: false });
    this.stop.hello(session);
  }

  /** @param {any} message */
  check({ on, look, phase, may, advice, hold }) {
    part("pain-stop").hidden = !this.recording || (on && !may.includes("pain"));
    part("pain-stop").classList.toggle("tall", on && look === "block");
    this.told = on && phase === "stopped" ? advice : hold ? `This visit was stopped (${hold}): no drill.` : "";
    part("pain-check").hidden = !this.told || !this.coachs;
    this.stop.check({ on, phase });
    this.show();
  }

  show() {
    const text = this.waits || this.told;
    part("pain-advice").hidden = !text;
    write(part("pain-advice"), text);
  }

  lost() {
    this.stop.lost();
  }
}
