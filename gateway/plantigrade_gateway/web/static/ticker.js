/** Draws when there is something new, with the screen's own beat and no more often than is seen. */

const LEAST_MS = 1000 / 30 - 4; // of a beat of 60 Hz every second one is taken

export class Ticker {
  /** @param {() => void} draw */
  constructor(draw) {
    this.draw = draw;
    this.waiting = false;
    this.last = -Infinity;
    this.beat = this.beat.bind(this);
  }

  /** Ask for a redraw; many requests before the next beat are one redraw. */
  request() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(this.beat);
  }

  /** @param {number} now ms */
  beat(now) {
    if (now - this.last < LEAST_MS) {
      requestAnimationFrame(this.beat);
      return;
    }
    this.waiting = false;
    this.last = now;
    this.draw();
  }
}
