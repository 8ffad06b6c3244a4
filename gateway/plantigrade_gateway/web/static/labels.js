/** Labels that never lie on each other: each takes the first of its places that is free. */

/** @typedef {{x: number, y: number, anchor: "start" | "middle" | "end"}} Place y: the baseline */

export const FONT = "system-ui, \"Segoe UI\", Roboto, \"DejaVu Sans\", sans-serif";
const [ABOVE, BELOW] = [0.95, 0.3]; // of the size: what letters take above and below their baseline
const APART = 3; // CSS pixels between two labels

const ruler = document.createElement("canvas").getContext("2d");

/**
 * @param {string} text
 * @param {string} font
 * @returns {number} CSS pixels
 */
export function textWidth(text, font) {
  if (!ruler) throw new Error("this browser draws no canvas");
  ruler.font = font;
  return ruler.measureText(text).width;
}

export class Labels {
  /**
   * @param {number} size of the letters, CSS pixels
   * @param {number} left
   * @param {number} right where labels must end
   * @param {string} [weight]
   */
  constructor(size, left, right, weight = "400") {
    this.size = size;
    this.left = left;
    this.right = right;
    this.font = `${weight} ${size}px ${FONT}`;
    /** @type {[number, number, number, number][]} left, right, top, bottom of what is taken */
    this.taken = [];
  }

  /**
   * Return the first place where a text touches no other, and take it; null where there is none.
   * @param {string} text
   * @param {Place[]} places in the order of preference
   * @returns {Place | null}
   */
  place(text, places) {
    const width = textWidth(text, this.font);
    for (const place of places) {
      const left = place.x - { start: 0, middle: width / 2, end: width }[place.anchor];
      const [top, bottom] = [place.y - ABOVE * this.size, place.y + BELOW * this.size];
      const right = left + width;
      if (left < this.left || right > this.right) continue;
      const free = this.taken.every(([l, r, t, b]) => right + APART <= l || r + APART <= left || bottom <= t || b <= top);
      if (!free) continue;
      this.taken.push([left, right, top, bottom]);
      return place;
    }
    return null;
  }
}
