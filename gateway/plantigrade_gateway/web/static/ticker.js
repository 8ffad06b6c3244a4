/** Draws when there is something new, with the screen's own beat and no more often than is seen. */

export class Ticker {
  /**
   * @param {() => void} draw
   * @param {number} [perSecond] redraws at most, on average; one may come early, so that what arrives
   *   a little out of step is not a beat late
   */
  constructor(draw, perSecond = 30) {
    this.draw = draw;
    this.everyMs = 1000 / perSecond;
    this.waiting = false;
    this.dueMs = -Infinity;
    this.beat = this.beat.bind(this);
  }

  /** Ask for a redraw; many requests before the next beat are one redraw. */
  request() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(this.beat);
  }

  /** @param {number} nowMs */
  beat(nowMs) {
    if (nowMs < this.dueMs) {
      requestAnimationFrame(this.beat);
      return;
    }
    this.waiting = false;
    this.dueMs = Math.max(this.dueMs, nowMs - this.everyMs) + this.everyMs;
    this.draw();
  }
}
