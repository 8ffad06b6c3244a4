/** Cautions, help and the question before stopping; and the keys. */

import { made, part } from "./dom.js";

const SEEN = "plantigrade.cautions";

/** @param {string} id */
const dialog = (id) => /** @type {HTMLDialogElement} */ (part(id));

/** Join the buttons that open a dialog, or close the one they stand in. */
export function joinDialogs() {
  for (const button of document.querySelectorAll("[data-opens]")) {
    button.addEventListener("click", () => dialog(button.getAttribute("data-opens") ?? "").showModal());
  }
  for (const button of document.querySelectorAll("dialog [data-closes]")) {
    button.addEventListener("click", () => button.closest("dialog")?.close());
  }
}

/** @returns {string} the day by this device's own calendar */
const today = () => new Date().toDateString();

export class Cautions {
  /** @param {any} hello with a session: once on this device and day; the button shows them ever after */
  hello({ cautions, describes, session }) {
    if (!cautions) return;
    part("cautions-text").replaceChildren(...[...cautions, describes].filter(Boolean).map((text) => made("p", text)));
    if (!session || this.seen() === today()) return;
    if (!dialog("cautions").open) dialog("cautions").showModal();
    dialog("cautions").addEventListener("close", () => this.keep(today()), { once: true });
  }

  seen() {
    try {
      return localStorage.getItem(SEEN);
    } catch {
      return null;
    }
  }

  keep(/** @type {string} */ day) {
    try {
      localStorage.setItem(SEEN, day);
    } catch {
      // shown again after a reload, where nothing can be kept
    }
  }
}

/**
 * Let single keys do what buttons do, where nobody writes and no dialog is open. They can be
 * switched off: voice control and slips of the hand press keys too (WCAG 2.2, 2.1.4).
 * @param {Record<string, () => void>} keys
 */
export function joinKeys(keys) {
  const on = /** @type {HTMLInputElement} */ (part("keys-on"));
  document.addEventListener("keydown", (event) => {
    const target = /** @type {HTMLElement} */ (event.target);
    if (!on.checked || event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (target.closest("input, select, textarea") || document.querySelector("dialog[open]")) return;
    const action = keys[event.key.toLowerCase()];
    if (!action) return;
    event.preventDefault();
    action();
  });
}
