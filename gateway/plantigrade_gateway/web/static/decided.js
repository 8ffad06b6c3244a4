/** What each class is decided by: the limits in force, in words of the gateway's. */

import { made, part } from "./dom.js";

export class Decided {
  /** @param {any} message the gateway's hello */
  hello({ decided_by: decided = {} }) {
    part("decided").hidden = !Object.keys(decided).length;
    part("decided-list").replaceChildren(
      ...Object.entries(decided).flatMap(([name, text]) => [made("dt", name), made("dd", text)]),
    );
  }
}
