/**
 * The continuous tone: one oscillator and its gain, following points of pitch and level.
 *
 * Every ramp lasts at least 3 ms, so that nothing clicks. A tone whose points stop coming fades.
 */

const RAMP_S = 0.005;
const HOLD_S = 0.3; // how long the last point stands when no more come: as the gateway's own
const FADE_S = 0.05;
const PEAK = 0.1; // of full scale at level 1, and the partials: as the gateway's own
const PARTIALS = [0, 1, 0.35, 0.12];
const FIRST_HZ = 440;

export class Tone {
  /**
   * @param {AudioContext} context
   * @param {AudioNode} out
   */
  constructor(context, out) {
    this.context = context;
    this.oscillator = context.createOscillator();
    this.oscillator.setPeriodicWave(context.createPeriodicWave(PARTIALS.map(() => 0), PARTIALS));
    this.gain = context.createGain();
    this.gain.gain.value = 0;
    this.oscillator.frequency.value = FIRST_HZ;
    this.oscillator.connect(this.gain).connect(out);
    this.oscillator.start();
    this.last = { at: 0, hz: FIRST_HZ, level: 0 }; // level: of full scale
  }

  /** @param {[number, number, number][]} points when (the context's time), Hz, level 0 … 1; in order */
  follow(points) {
    const { frequency } = this.oscillator;
    const { gain } = this.gain;
    const now = this.context.currentTime;
    frequency.cancelScheduledValues(Math.max(now, this.last.at + 1e-6));
    gain.cancelScheduledValues(Math.max(now, this.last.at + 1e-6)); // the fade prepared last time
    const stood = now - this.last.at;
    if (stood > HOLD_S) this.last.level = stood > HOLD_S + FADE_S ? 0 : gain.value;
    for (const [wanted, hz, share] of points) {
      const level = PEAK * share;
      const from = Math.max(now, this.last.at, wanted - 2 * HOLD_S);
      const at = Math.max(wanted, from + RAMP_S);
      if (from > this.last.at) {
        // a ramp runs from the point before it: without one here it would begin in the past
        gain.setValueAtTime(this.last.level, from);
        frequency.setValueAtTime(this.last.level > 0 ? this.last.hz : hz, from);
      }
      gain.linearRampToValueAtTime(level, at);
      frequency.linearRampToValueAtTime(hz, at);
      this.last = { at, hz, level };
    }
    gain.setValueAtTime(this.last.level, this.last.at + HOLD_S);
    gain.linearRampToValueAtTime(0, this.last.at + HOLD_S + FADE_S);
  }

  /** Fade now. */
  hush() {
    const now = this.context.currentTime;
    const { gain } = this.gain;
    const level = gain.value;
    gain.cancelScheduledValues(now);
    gain.setValueAtTime(level, now);
    gain.linearRampToValueAtTime(0, now + FADE_S);
    this.last = { ...this.last, at: now + FADE_S, level: 0 };
  }
}
