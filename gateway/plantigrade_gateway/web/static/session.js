/** The session's state, and record, stop and mark. */

import { part, write } from "./dom.js";
import { clock } from "./units.js";

export class Session {
  /** @param {(message: object) => boolean} send */
  constructor(send) {
    this.send = send;
    this.record = /** @type {HTMLButtonElement} */ (part("record"));
    this.stop = /** @type {HTMLButtonElement} */ (part("stop"));
    this.note = /** @type {HTMLInputElement} */ (part("note"));
    this.record.addEventListener("click", () => send({ type: "record" }));
    this.stop.addEventListener("click", () => /** @type {HTMLDialogElement} */ (part("stopping")).showModal());
    part("stop-now").addEventListener("click", () => send({ type: "stop" }));
    part("mark-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.mark();
    });
    this.recording = false;
  }

  /** @param {any} hello */
  hello({ session, rights, gateway }) {
    this.recording = session?.recording ?? false;
    const state = this.recording ? "● recording" : session ? "session ended" : "not recording";
    write(part("state"), gateway === false ? "no gateway is running" : state);
    write(part("source"), session?.source ?? "");
    write(part("clock"), "");
    part("controls").hidden = rights === "player";
    this.allow(gateway !== false);
  }

  /** @param {boolean} on whether there is a gateway to do it */
  allow(on) {
    const here = document.activeElement === this.record || document.activeElement === this.stop;
    this.record.hidden = this.recording;
    this.stop.hidden = !this.recording;
    this.record.disabled = this.stop.disabled = !on;
    if (here) (this.recording ? this.stop : this.record).focus(); // the pressed one has gone
    /** @type {HTMLButtonElement} */ (part("mark")).disabled = !on || !this.recording;
  }

  /** @param {any} frame */
  frame({ t_s: tS }) {
    if (this.recording) write(part("clock"), clock(tS));
  }

  /** Note this instant; what is written beside the button goes with it. */
  mark() {
    if (!this.recording) return;
    if (this.send({ type: "mark", text: this.note.value.trim() || "mark" })) this.note.value = "";
  }

  lost() {
    this.allow(false);
    write(part("state"), "no connection");
  }
}
