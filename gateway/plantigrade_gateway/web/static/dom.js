/** The few things done to the page's elements. Text only changes where it differs: that costs least. */

/**
 * Return an element that the template holds.
 * @param {string} id
 * @returns {HTMLElement}
 */
export function part(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`the page has no part called ${id}`);
  return found;
}

/**
 * Write a text into an element.
 * @param {Element} element
 * @param {string} text
 */
export function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/**
 * Return a new element with a text.
 * @param {string} tag
 * @param {string} [text]
 * @param {string} [kind] its class
 * @returns {HTMLElement}
 */
export function made(tag, text = "", kind = "") {
  const element = document.createElement(tag);
  element.textContent = text;
  if (kind) element.className = kind;
  return element;
}

/**
 * Return the page's colours by the names of base.css, as they are now.
 * @param {string[]} names
 * @returns {Record<string, string>}
 */
export function colours(...names) {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

/**
 * Fit a canvas to the room it has, in the device's own dots.
 * @param {HTMLCanvasElement} canvas
 * @returns {{context: CanvasRenderingContext2D, width: number, height: number}} width and height in
 *   CSS pixels, the unit of what is drawn
 */
export function fitted(canvas) {
  const { width, height } = canvas.getBoundingClientRect();
  const dots = Math.min(window.devicePixelRatio || 1, 2); // finer is not seen, only paid for
  const [w, h] = [Math.round(width * dots), Math.round(height * dots)];
  if (canvas.width !== w || canvas.height !== h) {
    canvas.width = w;
    canvas.height = h;
  }
  const context = canvas.getContext("2d");
  if (!context) throw new Error("this browser draws no canvas");
  context.setTransform(dots, 0, 0, dots, 0, 0);
  return { context, width, height };
}
