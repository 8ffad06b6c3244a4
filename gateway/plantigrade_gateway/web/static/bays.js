/** The page of all bays: takes what has changed, and writes it into the table's cells. */

import { part, write } from "./dom.js";
import { LiveSocket } from "./socket.js";

/**
 * @typedef {{key: string, life: string, look: string[]} & Record<string, string>} Row
 * @typedef {{type: string, rows: Row[], order?: string[], told: string, problem: string | null, refused: string}} Told
 */

export class Bays {
  /** @param {HTMLElement} table */
  constructor(table) {
    this.body = /** @type {HTMLElement} */ (table.querySelector("tbody"));
    this.model = /** @type {HTMLTemplateElement} */ (part("row"));
    /** @type {Map<string, HTMLElement>} */
    this.rows = new Map();
    for (const row of this.body.querySelectorAll("tr")) this.rows.set(row.dataset.key ?? "", row);
  }

  /** @param {Told} told */
  take(told) {
    for (const row of told.rows) this.show(row);
    if (told.order) this.order(told.order);
  }

  /** @param {Row} row */
  show(row) {
    const shown = this.rows.get(row.key) ?? this.made(row.key);
    shown.classList.toggle("gone", row.life !== "alive");
    for (const cell of /** @type {NodeListOf<HTMLElement>} */ (shown.querySelectorAll("td"))) {
      const field = cell.dataset.field ?? "";
      write(cell, row[field]);
      cell.classList.toggle("look", row.look.includes(field));
    }
  }

  /**
   * @param {string} key
   * @returns {HTMLElement}
   */
  made(key) {
    const row = /** @type {HTMLElement} */ (this.model.content.firstElementChild?.cloneNode(true));
    row.dataset.key = key;
    write(/** @type {Element} */ (row.querySelector("th")), key);
    this.rows.set(key, row);
    return row;
  }

  /** @param {string[]} keys all there are, as they are to stand */
  order(keys) {
    for (const [key, row] of this.rows) {
      if (keys.includes(key)) continue;
      row.remove();
      this.rows.delete(key);
    }
    keys.forEach((key, n) => {
      const row = this.rows.get(key);
      const there = this.body.children[n] ?? null;
      if (row && row !== there) this.body.insertBefore(row, there);
    });
  }
}

const table = part("bays");
const bays = new Bays(table);
const only = /** @type {HTMLInputElement} */ (part("only"));

/**
 * @param {HTMLElement} line
 * @param {string | null} text
 */
function tell(line, text) {
  write(line, text ?? "");
  line.hidden = !text;
}

only.addEventListener("change", () => table.classList.toggle("only", only.checked));
new LiveSocket(
  "/bays/live",
  (message) => {
    if (message.type !== "bays") return;
    bays.take(message);
    write(part("told"), message.told);
    tell(part("problem"), message.problem);
    tell(part("refused"), message.refused);
  },
  (state, text) => state === "lost" && tell(part("problem"), text.replace("the gateway", "the hub")),
);
