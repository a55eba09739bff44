// What is wrong with the text of one field stands under it.

import { $$, el } from "./dom.js";

/** Takes every such line of a form away. */
export function clearFaults(form) {
  $$(".field-fault", form).forEach((line) => line.remove());
  $$("[aria-invalid]", form).forEach((field) => {
    field.removeAttribute("aria-invalid");
    field.setAttribute("aria-describedby", field.dataset.help ?? "");
  });
}

/** Says it under a field, which gets the focus. */
export function faultUnder(field, words) {
  const id = `${field.id}-fault`;
  const line = el("p", { class: "field-fault small warn", role: "alert", id }, words);
  field.after(line);
  field.dataset.help ??= field.getAttribute("aria-describedby") ?? "";
  field.setAttribute("aria-describedby", `${id} ${field.dataset.help}`.trim());
  field.setAttribute("aria-invalid", "true");
  field.focus();
}
