/** Where the keys go on after a press that makes the page anew: in the form that was pressed, or at what
 * came of it. What was refused is said in its form, and the keys go on from there. */

const PRESSED = "plantigrade-pressed";

/** @param {HTMLFormElement | null} form */
const nameOf = (form) => form && `${form.getAttribute("action")} ${form.dataset.part}`;

/** Note what the keys pressed; a finger or a mouse goes on wherever it likes. */
document.addEventListener("submit", ({ target, submitter, defaultPrevented }) => {
  if (!submitter || defaultPrevented || !document.activeElement?.matches(":focus-visible")) return;
  const form = /** @type {HTMLFormElement} */ (target);
  try {
    sessionStorage.setItem(PRESSED, JSON.stringify([location.pathname, nameOf(form), submitter.textContent]));
  } catch {
    // a browser that keeps nothing: the keys begin at the top
  }
});

/** Take what was pressed on this page last, once. */
function taken() {
  try {
    const [path, form, text] = JSON.parse(sessionStorage.getItem(PRESSED) ?? "[]");
    sessionStorage.removeItem(PRESSED);
    return path === location.pathname ? { form, text } : null;
  } catch {
    return null;
  }
}

/** @param {HTMLElement} part what no key reaches is gone on from as well */
function goOnFrom(part) {
  if (part.tabIndex < 0) part.tabIndex = -1;
  part.focus();
}

/**
 * Go on at the button, another of its form, or what they are folded into; or at what the address says.
 * @param {{form: string, text: string}} pressed
 */
function goOn({ form, text }) {
  const told = /** @type {HTMLElement | null} */ (document.querySelector(":target"));
  const place = told?.closest("section") ?? document;
  const left = [...place.querySelectorAll("button")].filter((one) => nameOf(one.form) === form);
  const button = left.find((one) => one.textContent === text) ?? left[0];
  const folded = button?.closest("details:not([open])")?.querySelector("summary");
  goOnFrom(folded ?? button ?? told ?? /** @type {HTMLElement} */ (document.querySelector("main")));
}

const pressed = taken();
const refused = document.querySelector('meta[name="instead"]') && document.querySelector("main [role=alert]");
if (refused instanceof HTMLElement) {
  document.querySelector("form[data-refused]")?.prepend(refused);
  goOnFrom(refused);
} else if (pressed) addEventListener("load", () => goOn(pressed)); // till then the address has the keys begin elsewhere
