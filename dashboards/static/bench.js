// The device's time zone goes with each form; one touch enters "over range". Without script the server's own zone is taken.
"use strict";
const zone = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
for (const field of document.querySelectorAll("input.zone")) field.value = zone;
for (const button of document.querySelectorAll("button[data-set]")) {
  button.addEventListener("click", () => { const field = button.form.elements.value; field.value = button.dataset.set; field.focus(); });
}
