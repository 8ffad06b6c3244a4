/**
 * Keeps the screen on and the sound alive, as far as the browser lets a page do that, and says where
 * it does not.
 *
 * The screen: a wake lock, which browsers give to secure pages only and take back when the page is
 * hidden. The sound with the screen off: some devices let a page go on that plays a media element.
 * Whether this one did is measured: the sound's own clock has gone on, or not.
 */

import { part, write } from "./dom.js";

const QUIET = "/sounds/quiet.wav";
const WENT_ON = 0.9; // of the time hidden by which the sound's clock went on (ours)
const LEAST_MS = 3000; // hidden for less says nothing (ours)

/**
 * @param {number} hiddenMs how long the page was hidden
 * @param {number | null} soundS how far the sound's clock went on meanwhile; null: it was off
 * @returns {string} what is said of it
 */
export function verdict(hiddenMs, soundS) {
  if (soundS == null || hiddenMs < LEAST_MS) return "";
  if (1000 * soundS >= WENT_ON * hiddenMs) return "The sound went on while the page was out of sight.";
  return "The sound stopped while the page was out of sight: keep the screen on, or use the gateway’s own device.";
}

export class Awake {
  /** @param {() => (number | null)} soundS the sound's clock; null while this browser is silent */
  constructor(soundS) {
    this.soundS = soundS;
    this.sounding = false;
    this.large = false;
    /** @type {WakeLockSentinel | null} */
    this.lock = null;
    this.screen = "";
    this.pocket = "";
    /** @type {HTMLAudioElement | null} */
    this.media = null;
    /** @type {{ms: number, soundS: number | null} | null} */
    this.left = null;
    document.addEventListener("visibilitychange", () => this.seen(!document.hidden));
  }

  /** The large type is to be read: the screen stays on. @param {boolean} on */
  show(on) {
    this.large = on;
    return this.keep();
  }

  /** This browser sounds, or no longer; to be called in a press of the user's. @param {boolean} on */
  sound(on) {
    this.sounding = on;
    this.pocket = "";
    if (on) this.play();
    else this.media?.pause();
    return this.keep();
  }

  /** Let a quiet media element play along. */
  play() {
    this.media ??= new Audio(QUIET);
    this.media.loop = true;
    this.media.play().catch((error) => {
      this.pocket = `With the screen off it stops here (${error.name}).`;
      this.say();
    });
  }

  /** Have the screen kept on while that is wanted. */
  async keep() {
    const wanted = this.sounding || this.large;
    if (!wanted || document.hidden) {
      await this.lock?.release();
      this.lock = null;
      this.screen = "";
    } else if (!navigator.wakeLock) {
      const why = isSecureContext ? "This browser" : "Without HTTPS this browser";
      this.screen = `${why} cannot keep the screen on: set the device’s time-out.`;
    } else if (!this.lock) {
      try {
        this.lock = await navigator.wakeLock.request("screen");
        this.lock.addEventListener("release", () => this.released());
        this.screen = "The screen stays on.";
      } catch (error) {
        this.screen = `The screen may go off: ${error instanceof Error ? error.message : error}`;
      }
    }
    this.say();
  }

  /** The device took the lock back: hidden, or short of power. */
  released() {
    this.lock = null;
    if (document.hidden || !(this.sounding || this.large)) return;
    this.screen = "The device no longer keeps the screen on.";
    this.say();
  }

  /** @param {boolean} on whether the page is in sight again */
  seen(on) {
    const now = { ms: performance.now(), soundS: this.soundS() };
    if (!on) this.left = now;
    else if (this.left) {
      const went = this.left.soundS == null || now.soundS == null ? null : now.soundS - this.left.soundS;
      this.pocket = verdict(now.ms - this.left.ms, went) || this.pocket;
      this.left = null;
    }
    return this.keep();
  }

  say() {
    write(part("awake-said"), [this.screen, this.pocket].filter(Boolean).join(" "));
  }
}
