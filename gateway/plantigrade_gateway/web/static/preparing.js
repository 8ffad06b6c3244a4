/** Waits for a session's time line, and shows the page again when it is there. */

import { ask } from "./chart.js";

const EVERY_MS = 500;
const line = /** @type {HTMLElement} */ (document.getElementById("preparing"));
const bar = /** @type {HTMLProgressElement} */ (document.getElementById("progress"));

async function look() {
  try {
    const now = await ask(`/sessions/${line.dataset.session}/prepared.json`);
    bar.value = now.share;
    if (now.ready || now.problem) {
      location.reload();
      return;
    }
  } catch {
    // the server is away for a moment: ask again
  }
  setTimeout(look, EVERY_MS);
}

void look();
