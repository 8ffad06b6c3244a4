/**
 * The least of a quantity over the last seconds.
 *
 * A message's delay is a fixed part and a jitter that only ever adds: the least difference of
 * arrival and sending over a while is the fixed part. Old values leave, so that clocks that drift
 * apart are followed.
 */
export class Floor {
  /** @param {number} [keep] how many spans of a second are looked back on */
  constructor(keep = 10) {
    this.keep = keep;
    this.clear();
  }

  clear() {
    /** @type {[number, number][]} which second, and its least */
    this.seconds = [];
  }

  /**
   * @param {number} atS when, s; never earlier than before
   * @param {number} value
   */
  add(atS, value) {
    const second = Math.floor(atS);
    const last = this.seconds[this.seconds.length - 1];
    if (last && last[0] === second) last[1] = Math.min(last[1], value);
    else this.seconds.push([second, value]);
    while (this.seconds[0][0] <= second - this.keep) this.seconds.shift();
  }

  /** @returns {number | null} the least; null before the first */
  get value() {
    return this.seconds.length ? Math.min(...this.seconds.map(([, value]) => value)) : null;
  }
}
