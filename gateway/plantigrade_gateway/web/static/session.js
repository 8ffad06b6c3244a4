/** The session's state, and record, stop and mark. */

import { part, write } from "./dom.js";
import { clock } from "./units.js";

/** @param {number} n @param {string} what */
const some = (n, what) => `${n} ${what}${n === 1 ? "" : "s"}`;

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
    this.summary(session, rights);
  }

  /**
   * What the session came to, once it has ended.
   * @param {any} session
   * @param {string} rights
   */
  summary(session, rights) {
    const found = session?.summary;
    part("summary").hidden = !found;
    if (!found) return;
    const parts = [found.length, some(found.steps, "step"), some(found.swings, "swing")];
    const said = [`${parts.join(", ")}.`];
    if (found.swings) said.push(`${found.good} of ${found.swings} good pushes.`);
    for (const { title, good, tried, best } of found.drills) {
      said.push(`${title}: ${good} of ${tried} good, ${best} in a row at best.`);
    }
    write(part("summary-text"), said.join(" "));
    const link = /** @type {HTMLAnchorElement} */ (part("summary-link"));
    link.hidden = rights === "player"; // a link's session ends with it
    link.href = `/sessions/${encodeURIComponent(session.id)}`;
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
