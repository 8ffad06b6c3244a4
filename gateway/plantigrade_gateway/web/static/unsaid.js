/** Each form of a page has its own press, and every press makes the page anew: what was changed in the
 * other forms, and is not said yet, is typed again. A form takes part by its `data-part`, which is its
 * own among the forms of one action; one that was refused, `data-refused`, is not said either. */

const KEPT = "plantigrade-unsaid";
/** @typedef {HTMLInputElement | HTMLSelectElement} Field */
const forms = /** @type {HTMLFormElement[]} */ ([...document.querySelectorAll("form[data-part]")]);

/** @param {HTMLFormElement} form */
const nameOf = (form) => `${form.action} ${form.dataset.part}`;

/** @param {Field} field */
const isTicked = (field) => field.type === "radio" || field.type === "checkbox";

/**
 * Return the fields in which a person types or chooses.
 * @param {HTMLFormElement} form
 */
function fieldsOf(form) {
  const found = /** @type {NodeListOf<Field>} */ (form.querySelectorAll("input[name], select[name]"));
  return [...found].filter((field) => field.type !== "hidden");
}

/**
 * Return what a person changes in a form, by field.
 * @param {HTMLFormElement} form
 * @returns {(string | boolean)[]}
 */
function typed(form) {
  return fieldsOf(form).map((field) =>
    isTicked(field) ? /** @type {HTMLInputElement} */ (field).checked : field.value,
  );
}

/**
 * Type again what was not said.
 * @param {HTMLFormElement} form
 * @param {(string | boolean)[]} values of `typed`
 */
function type(form, values) {
  const fields = fieldsOf(form);
  if (fields.length !== values.length) return; // the page asks for other things by now
  fields.forEach((field, at) => {
    if (isTicked(field)) /** @type {HTMLInputElement} */ (field).checked = values[at] === true;
  });
  form.dispatchEvent(new Event("change")); // text may follow what is ticked, so it comes last
  fields.forEach((field, at) => {
    if (!isTicked(field)) field.value = String(values[at]);
  });
  const told = document.createElement("p");
  told.className = "warn";
  told.role = "status";
  told.textContent = form.dataset.unsaid ?? "Changed, and not kept yet.";
  form.append(told);
  const folded = form.closest("details");
  if (folded) folded.open = true;
}

/**
 * Return what the page was sent with: somebody may have typed before this was read, or the browser after a reload.
 * @param {HTMLFormElement} form
 * @returns {(string | boolean)[]}
 */
function sent(form) {
  return fieldsOf(form).map((field) => {
    if (field instanceof HTMLSelectElement) {
      const options = [...field.options];
      return (options.find((one) => one.defaultSelected) ?? options[0])?.value ?? "";
    }
    return isTicked(field) ? field.defaultChecked : field.defaultValue;
  });
}

/** @param {HTMLFormElement} form */
const isUnsaid = (form) => "refused" in form.dataset || JSON.stringify(typed(form)) !== JSON.stringify(sent(form));

/**
 * Keep what was changed for the page as it is made next.
 * @param {EventTarget | null} said the form whose press makes it, if one does
 */
export function keep(said) {
  const others = forms.filter((one) => one !== said && isUnsaid(one));
  if (!others.length) return;
  const left = Object.fromEntries(others.map((one) => [nameOf(one), typed(one)]));
  try {
    sessionStorage.setItem(KEPT, JSON.stringify(left));
  } catch {
    // a browser that keeps nothing: only the form whose button was pressed is said
  }
}

/** Take what was kept, once. */
function taken() {
  try {
    const kept = JSON.parse(sessionStorage.getItem(KEPT) ?? "{}");
    sessionStorage.removeItem(KEPT);
    return kept;
  } catch {
    return {};
  }
}

const kept = taken();
for (const form of forms) if (nameOf(form) in kept) type(form, kept[nameOf(form)]);
document.addEventListener("submit", ({ target }) => keep(target));
