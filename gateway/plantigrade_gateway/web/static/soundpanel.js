/** Which outputs are on: the gateway's device, this browser, both or none; and the ways to change it. */

import { part, write } from "./dom.js";
import { Awake } from "./awake.js";
import { Voices } from "./voices.js";

const KEY = "plantigrade.sound";

export class SoundPanel {
  /**
   * @param {(message: object) => boolean} send
   * @param {(on: boolean) => void} told whenever this browser begins to sound, or ends
   */
  constructor(send, told = () => {}) {
    this.send = send;
    this.told = told;
    /** @type {Voices | null} */
    this.voices = null;
    this.on = false;
    this.awake = new Awake(() => (this.on ? (this.voices?.context.currentTime ?? null) : null));
    this.gateway = { said: "", device: false, lost: false };
    this.device = /** @type {HTMLButtonElement} */ (part("sound-device"));
    this.here = /** @type {HTMLButtonElement} */ (part("sound-here"));
    this.here.addEventListener("click", () => this.hear(!this.on));
    this.device.addEventListener("click", () => send({ type: "sound", device: !this.gateway.device }));
    part("sound-instead").addEventListener("click", () => this.hear(true));
    this.show();
  }

  /** @param {any} hello */
  hello({ sound, session, rights }) {
    if (session?.id !== this.session) this.voices?.restart();
    this.session = session?.id;
    this.device.hidden = rights === "player";
    if (sound) this.sound(sound);
  }

  /** @param {any} sound */
  sound({ said, device, lost }) {
    this.gateway = { said, device, lost };
    this.show();
  }

  /**
   * Sound in this browser, or no longer.
   * @param {boolean} on
   */
  async hear(on) {
    this.awake.sound(on); // in the press
    if (on) {
      this.voices ??= new Voices();
      await this.voices.resume();
    } else await this.voices?.suspend();
    this.on = on;
    this.told(on);
    this.keep(on);
    this.show();
  }

  /** Remember for this browser that it is to sound; the press it needs is asked for again. */
  keep(/** @type {boolean} */ on) {
    try {
      localStorage.setItem(KEY, on ? "here" : "");
    } catch {
      // nothing can be kept here: it is asked for again next time
    }
  }

  /** @returns {boolean} whether this browser was left sounding */
  wanted() {
    try {
      return localStorage.getItem(KEY) === "here";
    } catch {
      return false;
    }
  }

  /** @param {any} frame */
  frame({ t_s: tS }) {
    this.voices?.heard(tS);
  }

  /** @param {any} cue */
  cue(cue) {
    if (!this.on || !this.voices) return;
    this.voices.cue(cue).catch((error) => this.failed(error));
  }

  /** @param {any} tone */
  tone(tone) {
    if (this.on) this.voices?.tone(tone);
  }

  lost() {
    this.voices?.hush();
  }

  /** @param {Error} error */
  failed(error) {
    write(part("sound-said"), `A sound could not be played here (${error.message}).`);
  }

  show() {
    const { said, device, lost } = this.gateway;
    this.here.setAttribute("aria-pressed", String(this.on));
    this.device.setAttribute("aria-pressed", String(device));
    part("sound-lost").hidden = !lost || this.on;
    const outputs = [device && "the gateway’s device", this.on && "this browser"].filter(Boolean);
    const text = outputs.length ? `Sound from ${outputs.join(" and ")}.` : "No sound is on.";
    const again = !this.on && this.wanted() ? " This browser sounded before: press once to go on." : "";
    const why = said && !device && !this.device.hidden ? ` Gateway: ${said}` : ""; // the coach's to mend
    write(part("sound-said"), `${text}${again}${why}`);
  }
}
