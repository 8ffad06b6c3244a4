/**
 * Waits for a session to be prepared, and shows the page again when it is. Where that fails, says
 * why and stays: opening the page again tries again.
 */

import { ask } from "./chart.js";
import { keep } from "./unsaid.js";

const EVERY_MS = 500;
const line = /** @type {HTMLElement} */ (document.getElementById("preparing"));
const bar = /** @type {HTMLProgressElement} */ (document.getElementById("progress"));

async function look() {
  try {
    const now = await ask(`/sessions/${line.dataset.session}/prepared.json`);
    bar.value = now.share;
    if (now.ready) {
      keep(null);
      location.reload();
      return;
    }
    if (now.problem) {
      line.textContent = `It could not be prepared: ${now.problem}`;
      line.classList.add("warn");
      bar.remove();
      return;
    }
  } catch {
    // the server is away for a moment: ask again
  }
  setTimeout(look, EVERY_MS);
}

void look();
