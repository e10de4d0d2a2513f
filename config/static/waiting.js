// Shows a bar with its words while a form takes longer than a moment: data-waits names the element.
for (const form of document.querySelectorAll("form[data-waits]")) {
  form.addEventListener("submit", () => {
    document.getElementById(form.dataset.waits).hidden = false;
    for (const button of form.querySelectorAll("button")) button.disabled = true;
  });
}
addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload();
});
