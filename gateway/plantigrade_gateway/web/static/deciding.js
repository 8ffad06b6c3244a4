/** The words of a decision go with its answer and its plan: where these change, words that were said
 * for others leave the field and are shown beneath it; where they change back, so do the words. */

/**
 * Have a form's words follow its answer and plan.
 * @param {HTMLFormElement} form with what was decided last in its data
 */
function follow(form) {
  const { answer = "", plan = "", cue = "" } = form.dataset;
  const field = /** @type {HTMLInputElement} */ (form.elements.namedItem("cue"));
  const former = /** @type {HTMLElement} */ (form.querySelector("[data-former]"));
  const now = () => new FormData(form);
  const isAsDecided = () => now().get("answer") === answer && (now().get("plan") ?? "") === plan;
  let wasAsDecided = isAsDecided();
  form.addEventListener("change", () => {
    if (isAsDecided() === wasAsDecided) return;
    wasAsDecided = !wasAsDecided;
    if (wasAsDecided && !field.value) field.value = cue;
    else if (!wasAsDecided && field.value === cue) field.value = "";
    former.textContent = wasAsDecided
      ? ""
      : `Said for “${[answer, plan].filter(Boolean).join(", ")}”: ${cue}`;
  });
}

for (const form of document.querySelectorAll("form.decide[data-cue]"))
  follow(/** @type {HTMLFormElement} */ (form));
