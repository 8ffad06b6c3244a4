/**
 * The page of club speeds: a file that is chosen becomes the text beside it, which the form sends.
 */

for (const input of document.querySelectorAll("input[data-into]")) {
  const file = /** @type {HTMLInputElement} */ (input);
  file.addEventListener("change", async () => {
    const into = document.getElementById(file.dataset.into ?? "");
    const chosen = file.files?.[0];
    if (chosen && into instanceof HTMLTextAreaElement) into.value = await chosen.text();
  });
}
