/**
 * Tells the gateway whether this page lets anything be heard: the record keeps when cues could be,
 * and a set is a silent one only when no page sounded.
 */

export class Audible {
  /** @param {(message: object) => boolean} send */
  constructor(send) {
    this.send = send;
    /** @type {Set<string>} */
    this.outputs = new Set();
  }

  /** @param {string} output @param {boolean} on */
  set(output, on) {
    if (on) this.outputs.add(output);
    else this.outputs.delete(output);
    this.tell();
  }

  /** A new connection knows of no sound. */
  hello() {
    if (this.outputs.size) this.tell();
  }

  tell() {
    this.send({ type: "sounds", on: this.outputs.size > 0 });
  }
}
