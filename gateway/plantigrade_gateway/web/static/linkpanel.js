/** How well the insoles are heard: what is lost, how late it is, how much battery is left. */

import { part, write } from "./dom.js";
import { number, percent } from "./units.js";

const LOW_BATTERY = 15; // %, ours
const MUCH_LOST = 0.02; // ours
const AWAY_S = 1;

/** Whether nothing comes of a link that was not told to end. @param {any} foot */
function isAway(foot) {
  return foot?.state !== "stopped" && foot?.silent_s > AWAY_S;
}

/**
 * What of a foot's link is not as it should be, in few words; empty where all is well.
 * @param {any} foot
 * @returns {string[]}
 */
function troubles(foot) {
  if (foot?.state === "stopped") return []; // as it was asked to
  if (!foot?.links && foot?.state !== "replayed") return ["not connected"];
  const found = [];
  if (isAway(foot)) found.push("away");
  if (foot.battery_percent != null && foot.battery_percent <= LOW_BATTERY) found.push("battery low");
  if (foot.lost_share != null && foot.lost_share >= MUCH_LOST) found.push("packets lost");
  return found;
}

export class LinkPanel {
  constructor() {
    /** @type {boolean | null} */
    this.well = null;
    this.ended = false;
  }

  /** @param {any} hello */
  hello({ link, session }) {
    this.ended = session?.recording === false;
    part("link-known").hidden = !link;
    part("link-none").hidden = Boolean(link);
    part("link-away").hidden = true;
    part("link-problem").hidden = true;
    if (link) this.link(link);
  }

  /** @param {any} link */
  link({ feet, delay_ms: delay, store, dropped_frames: dropped, calibration, forward }) {
    // A session that has ended, and no insole any more: its links ended as they were asked to.
    const none = this.ended && ["left", "right"].every((side) => !feet[side]?.links);
    part("link-known").hidden = none;
    part("link-none").hidden = !none;
    const away = [];
    for (const side of ["left", "right"]) {
      const foot = feet[side];
      this.foot(side, foot);
      if (isAway(foot)) away.push(`${side} foot away for ${foot.silent_s.toFixed(0)} s`);
    }
    const late = delay && `${number(delay[0], 1, "ms")} (99 % within ${number(delay[1], 1, "ms")})`;
    write(part("link-delay"), late ?? "–");
    write(part("link-dropped"), `${dropped}`);
    write(part("link-calibration"), calibration ?? "–");
    write(part("link-store"), [store.problem ?? "writing", ...(forward ?? [])].join("; "));
    part("link-problem").hidden = !store.problem;
    write(part("link-problem"), store.problem ? `Not stored at this moment: ${store.problem}` : "");
    this.light(feet, store);
    part("link-away").hidden = !away.length;
    write(part("link-away"), away.length ? `No data: ${away.join(", ")}.` : "");
  }

  /**
   * One light where all is well; what is not opens the rest, and stands beside the light.
   * @param {any} feet
   * @param {any} store
   */
  light(feet, store) {
    const found = ["left", "right"].flatMap((side) => troubles(feet[side]).map((what) => `${side} ${what}`));
    if (store.problem) found.push("not stored");
    const well = !found.length;
    write(part("link-light"), well ? "● all well" : `▲ ${found.join(", ")}`);
    part("link-light").className = well ? "good" : "bad";
    const card = /** @type {HTMLDetailsElement} */ (part("link-known"));
    if (well !== this.well) card.open = !well; // once: then it is as the viewer leaves it
    this.well = well;
  }

  /** Without the gateway nothing is known of its insoles or its store. */
  lost() {
    part("link-away").hidden = true;
    part("link-problem").hidden = true;
  }

  /**
   * @param {string} side
   * @param {any} foot
   */
  foot(side, foot) {
    const cell = (/** @type {string} */ what, /** @type {string} */ text, bad = false) => {
      const element = part(`link-${side}-${what}`);
      write(element, bad ? `! ${text}` : text);
      element.classList.toggle("bad", bad);
    };
    const { state, battery_percent: battery, lost_share: loss, rssi_dbm: signal } = foot ?? {};
    const behind = foot?.catching_up_s >= 1 ? `, catching up ${number(foot.catching_up_s, 0, "s")}` : "";
    cell("state", (state ?? "not connected") + behind, isAway(foot));
    cell("battery", number(battery, 0, "%"), battery != null && battery <= LOW_BATTERY);
    cell("loss", percent(loss, 2), loss != null && loss >= MUCH_LOST);
    cell("signal", number(signal, 0, "dBm"));
    const clock = `± ${number(foot?.clock_error_ms, 1, "ms")}`;
    cell("clock", foot?.clock_error_ms == null ? "–" : clock + (foot.clock_locked ? "" : ", not settled"));
    cell("drift", number(foot?.drift_ppm, 1, "ppm"));
    const short = [state ?? "no insole", `loss ${percent(loss, 1)}`];
    if (behind) short[0] += behind;
    if (battery != null) short.splice(1, 0, `battery ${number(battery, 0, "%")}`);
    write(part(`${side}-link`), short.join(", "));
  }
}
