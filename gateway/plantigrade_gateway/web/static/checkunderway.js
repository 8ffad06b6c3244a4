/** The coach's live page while a check, a calibration or a speed block goes on: it says so. */

import { part, write } from "./dom.js";

const NAMES = /** @type {Record<string, string>} */ ({ calibrate: "A calibration", block: "A speed block" });

/** @param {any} check @returns {string} what goes on, or nothing where none does or it was stopped */
export function underWay(check) {
  if (!check?.on || check.phase === "stopped") return "";
  const where = check.phase === "done" ? "done" : check.phase === "questions" ? "questions" : check.title;
  return `${NAMES[check.look] ?? "A guided check"} is under way: ${where}.`;
}

export class CheckUnderWay {
  /** @param {any} hello */
  hello({ check, rights }) {
    this.coachs = rights === "coach";
    this.check(check);
  }

  /** @param {any} check */
  check(check) {
    const text = this.coachs ? underWay(check) : "";
    part("check-on").hidden = !text;
    write(part("check-on-text"), text);
    part("stopping-check").hidden = !text;
    write(part("stopping-check"), text && `${text} It ends with the session.`);
  }

  lost() {
    this.check(null);
  }
}
