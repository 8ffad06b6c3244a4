/**
 * The colours a person chose for this browser: as the device, light, dark, or sunlight (light with
 * the highest contrast). Kept in this browser only.
 */

const KEY = "plantigrade.theme";

/**
 * Show the page in these colours.
 * @param {string} choice "device", "light", "dark" or "sun"
 */
function show(choice) {
  const root = document.documentElement;
  if (choice === "device") delete root.dataset.theme;
  else root.dataset.theme = choice;
  document.dispatchEvent(new CustomEvent("theme")); // canvases draw themselves again
}

/** @returns {string} what was chosen before; "device" where nothing can be kept */
function kept() {
  try {
    return localStorage.getItem(KEY) ?? "device";
  } catch {
    return "device";
  }
}

/** Join the chooser in the page's head to what is kept. */
function join() {
  const chooser = /** @type {HTMLSelectElement | null} */ (document.getElementById("theme"));
  if (!chooser) return;
  chooser.value = kept();
  chooser.addEventListener("change", () => {
    try {
      localStorage.setItem(KEY, chooser.value);
    } catch {
      // a browser that keeps nothing still shows the choice until the page is left
    }
    show(chooser.value);
  });
}

show(kept());
if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", join);
else join();
