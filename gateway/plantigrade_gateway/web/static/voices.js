/**
 * The sounds of this browser: cues and the continuous tone, through one gain and one limiter.
 *
 * The gateway says in session time when something sounds. Messages come with jitter; sounds are
 * therefore placed a fixed lead after the quickest message's time, and what comes later than that
 * sounds at once.
 */

import { Floor } from "./floor.js";
import { Tone } from "./tone.js";

export const LEAD_S = 0.03;
const [KNEE, CEILING] = [0.375, 0.5]; // as the gateway's own limiter

/**
 * @returns {Float32Array} the limiter's curve over −1 … 1: as it is up to the knee, then bent so that
 *   nothing passes the ceiling
 */
export function limiterCurve() {
  const n = 4097;
  return Float32Array.from({ length: n }, (_, i) => {
    const x = (2 * i) / (n - 1) - 1;
    const size = Math.abs(x);
    if (size <= KNEE) return x;
    return Math.sign(x) * (KNEE + (CEILING - KNEE) * Math.tanh((size - KNEE) / (CEILING - KNEE)));
  });
}

/**
 * @param {string} text base64 of signed 16-bit samples, low byte first
 * @returns {Float32Array}
 */
export function samples(text) {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const view = new DataView(bytes.buffer);
  return Float32Array.from({ length: bytes.length >> 1 }, (_, i) => view.getInt16(2 * i, true) / 32768);
}

export class Voices {
  /** Needs a press of the user: before one a browser stays silent. */
  constructor() {
    this.context = new AudioContext({ latencyHint: "interactive" });
    this.out = this.context.createGain();
    const limiter = this.context.createWaveShaper();
    limiter.curve = limiterCurve();
    this.out.connect(limiter).connect(this.context.destination);
    this.toHere = new Floor(); // this browser's clock − session time
    this.toSound = new Floor(); // this browser's clock − the sound's clock
    /** @type {Map<string, Promise<AudioBuffer>>} */
    this.files = new Map();
    this.voice = new Tone(this.context, this.out);
  }

  /** @param {number} tS session time of a message that came now */
  heard(tS) {
    const now = performance.now() / 1000;
    this.toHere.add(now, now - tS);
    if (this.context.state === "running") this.toSound.add(now, now - this.context.currentTime);
  }

  /** Session time begins anew. */
  restart() {
    this.toHere.clear();
    this.hush();
  }

  /**
   * @param {number} tS session time
   * @returns {number} when that is to be heard, in the sound's time; never in the past
   */
  when(tS) {
    const now = this.context.currentTime;
    const [here, sound] = [this.toHere.value, this.toSound.value];
    if (here == null || sound == null) return now;
    return Math.max(now, tS + here - sound + LEAD_S);
  }

  /** @param {any} cue */
  async cue({ decided_s: tS, delay_s: delay, gain, sound, pcm, rate_hz: rate }) {
    const at = this.when(tS) + delay;
    const buffer = pcm ? this.glide(samples(pcm), rate) : await this.file(sound);
    const source = this.context.createBufferSource();
    const level = this.context.createGain();
    source.buffer = buffer;
    level.gain.value = gain;
    source.connect(level).connect(this.out);
    source.addEventListener("ended", () => level.disconnect());
    source.start(Math.max(at, this.context.currentTime));
  }

  /**
   * @param {Float32Array} mono
   * @param {number} rate Hz
   */
  glide(mono, rate) {
    const buffer = this.context.createBuffer(1, mono.length, rate);
    buffer.getChannelData(0).set(mono);
    return buffer;
  }

  /**
   * Fetch and decode a sound, once.
   * @param {string} url
   * @returns {Promise<AudioBuffer>}
   */
  file(url) {
    const known = this.files.get(url);
    if (known) return known;
    const coming = fetch(url)
      .then((answer) => {
        if (!answer.ok) throw new Error(`${url}: ${answer.status}`);
        return answer.arrayBuffer();
      })
      .then((bytes) => this.context.decodeAudioData(bytes));
    coming.catch(() => this.files.delete(url)); // tried again with the next cue
    this.files.set(url, coming);
    return coming;
  }

  /** @param {{points: [number, number, number][]}} message session time, Hz, level 0 … 1 */
  tone({ points }) {
    this.voice.follow(points.map(([tS, hz, level]) => [this.when(tS), hz, level]));
  }

  /** Let the tone die away: nothing more is known. */
  hush() {
    this.voice.hush();
  }

  /** Go on sounding, or begin to; to be called in a press of the user's. */
  resume() {
    return this.context.resume();
  }

  /** Fall silent until resumed. */
  async suspend() {
    this.hush();
    await this.context.suspend();
    this.toSound.clear();
  }
}
