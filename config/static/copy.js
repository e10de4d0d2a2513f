// A button beside an address that copies it. Without script, or where the browser won't, the address can be selected by hand.
for (const button of document.querySelectorAll("button.copy")) {
  const field = document.getElementById(button.dataset.copies);
  if (!navigator.clipboard || !field) continue;
  button.hidden = false;
  const word = button.textContent;
  button.addEventListener("click", async () => {
    field.select();
    try {
      await navigator.clipboard.writeText(field.value);
    } catch {
      return; // it stays selected
    }
    button.textContent = button.dataset.done;
    setTimeout(() => { button.textContent = word; }, 2000);
  });
}
