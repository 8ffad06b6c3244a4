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

/* Each topic is decided by its own press, and the page is made anew then: what was changed of the
 * other topics, and is not decided yet, is typed again. */

const KEPT = "plantigrade-not-decided";
const forms = /** @type {HTMLFormElement[]} */ ([...document.querySelectorAll("form.decide")]);

/**
 * Return what tells a form's topic.
 * @param {HTMLFormElement} form
 */
function topicOf(form) {
  return String(new FormData(form).get("topic"));
}

/**
 * Return what a person changes in a form, as text.
 * @param {HTMLFormElement} form
 */
function typed(form) {
  const all = new FormData(form);
  return JSON.stringify(["answer", "plan", "cue"].map((name) => all.get(name) ?? ""));
}

/**
 * Type again what was not decided.
 * @param {HTMLFormElement} form
 * @param {string} text of `typed`
 */
function type(form, text) {
  const [answer, plan, cue] = JSON.parse(text);
  for (const [name, value] of [["answer", answer], ["plan", plan]]) {
    const group = form.elements.namedItem(name);
    if (group instanceof RadioNodeList) group.value = value;
  }
  form.dispatchEvent(new Event("change"));
  /** @type {HTMLInputElement} */ (form.elements.namedItem("cue")).value = cue;
  /** @type {HTMLElement} */ (form.querySelector("[data-undecided]")).hidden = false;
  const folded = form.closest("details");
  if (folded) folded.open = true;
}

const asMade = new Map(forms.map((form) => [form, typed(form)]));
try {
  const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "{}");
  sessionStorage.removeItem(KEPT);
  for (const form of forms)
    if (kept.at === form.action && topicOf(form) in kept) type(form, kept[topicOf(form)]);
  for (const form of forms)
    form.addEventListener("submit", () => {
      const others = forms.filter((one) => one !== form && typed(one) !== asMade.get(one));
      if (!others.length) return;
      const left = Object.fromEntries(others.map((one) => [topicOf(one), typed(one)]));
      sessionStorage.setItem(KEPT, JSON.stringify({ ...left, at: form.action }));
    });
} catch {
  // a browser that keeps nothing: only the topic whose button was pressed is decided
}
