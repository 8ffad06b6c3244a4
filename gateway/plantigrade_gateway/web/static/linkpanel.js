/** How well the insoles are heard: what is lost, how late it is, how much battery is left. */

import { part, write } from "./dom.js";
import { number, percent } from "./units.js";

const LOW_BATTERY = 15; // %, ours
const MUCH_LOST = 0.02; // ours
const AWAY_S = 1;

export class LinkPanel {
  /** @param {any} hello */
  hello({ link }) {
    part("link-known").hidden = !link;
    part("link-none").hidden = Boolean(link);
    part("link-away").hidden = true;
    part("link-problem").hidden = true;
    if (link) this.link(link);
  }

  /** @param {any} link */
  link({ feet, delay_ms: delay, store, dropped_frames: dropped, calibration, forward }) {
    part("link-known").hidden = false;
    part("link-none").hidden = true;
    const away = [];
    for (const side of ["left", "right"]) {
      const foot = feet[side];
      this.foot(side, foot);
      if (foot?.silent_s > AWAY_S) away.push(`${side} foot away for ${foot.silent_s.toFixed(0)} s`);
    }
    const late = delay && `${number(delay[0], 1, "ms")} (99 % within ${number(delay[1], 1, "ms")})`;
    write(part("link-delay"), late ?? "–");
    write(part("link-dropped"), `${dropped}`);
    write(part("link-calibration"), calibration ?? "–");
    write(part("link-store"), [store.problem ?? "writing", ...(forward ?? [])].join("; "));
    part("link-problem").hidden = !store.problem;
    write(part("link-problem"), store.problem ? `Not stored at this moment: ${store.problem}` : "");
    part("link-away").hidden = !away.length;
    write(part("link-away"), away.length ? `No data: ${away.join(", ")}.` : "");
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
    cell("state", state ?? "not connected", foot?.silent_s > AWAY_S);
    cell("battery", number(battery, 0, "%"), battery != null && battery <= LOW_BATTERY);
    cell("loss", percent(loss, 2), loss != null && loss >= MUCH_LOST);
    cell("signal", number(signal, 0, "dBm"));
    const clock = `± ${number(foot?.clock_error_ms, 1, "ms")}`;
    cell("clock", foot?.clock_error_ms == null ? "–" : clock + (foot.clock_locked ? "" : ", not settled"));
    cell("drift", number(foot?.drift_ppm, 1, "ppm"));
    const short = [state ?? "no insole", `loss ${percent(loss, 1)}`];
    if (battery != null) short.splice(1, 0, `battery ${number(battery, 0, "%")}`);
    write(part(`${side}-link`), short.join(", "));
  }
}
