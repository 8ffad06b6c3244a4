/**
 * From load to colour: perceptually even, dark blue over grey to yellow, after cividis (Nuñez,
 * Anderton & Renslow 2018), readable with every kind of colour vision.
 */

/** @typedef {[number, number, number]} Rgb */

/** @type {Rgb[]} */
const ANCHORS = [
  [0, 34, 78],
  [53, 69, 108],
  [102, 105, 112],
  [148, 142, 119],
  [200, 184, 102],
  [254, 232, 56],
];

const DARKEST = 0.1; // what is darker is not seen on a dark ground
const STEPS = 64; // colours told apart; each is made once

/**
 * @param {number} share 0 … 1, held at the ends
 * @returns {Rgb}
 */
export function rgb(share) {
  const at = Math.min(1, Math.max(0, share)) * (ANCHORS.length - 1);
  const i = Math.min(Math.floor(at), ANCHORS.length - 2);
  const [from, to] = [ANCHORS[i], ANCHORS[i + 1]];
  return /** @type {Rgb} */ (from.map((c, k) => Math.round(c + (to[k] - c) * (at - i))));
}

/**
 * @param {Rgb} colour
 * @param {number} white how much of white is mixed in
 * @returns {Rgb}
 */
function paler(colour, white) {
  return /** @type {Rgb} */ (colour.map((c) => Math.round(c + (255 - c) * white)));
}

/**
 * @param {Rgb} colour
 * @returns {"#000000" | "#ffffff"} the one of black and white that reads better on it
 */
export function writing(colour) {
  const [r, g, b] = colour.map((c) => {
    const v = c / 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r + 0.7152 * g + 0.0722 * b > 0.179 ? "#000000" : "#ffffff";
}

/**
 * The colours of one ground. More load is always further from the ground: light cells on dark,
 * dark cells on light (there a small load is nearly as pale as the paper).
 */
export class Scale {
  /** @param {boolean} dark whether the page's ground is dark */
  constructor(dark) {
    const colours = Array.from({ length: STEPS }, (_, i) => {
      const share = i / (STEPS - 1);
      return dark ? rgb(DARKEST + (1 - DARKEST) * share) : paler(rgb(1 - share), 0.6 * (1 - share) ** 4);
    });
    /** @type {string[]} */
    this.fills = colours.map(([r, g, b]) => `rgb(${r} ${g} ${b})`);
    this.writings = colours.map(writing);
  }

  /**
   * @param {number} share of full scale
   * @returns {number} index into `fills` and `writings`
   */
  index(share) {
    return Math.round(Math.min(1, Math.max(0, share)) * (STEPS - 1));
  }
}
