// @ts-check
// A grave change asks for the secret once more, over the page that one is on: what was typed there stays.
import { field, onSubmit, sender } from "./dom.js";
import { _ } from "./words.js";

/**
 * @param {string} text why it is asked
 * @param {(secret: string) => Promise<string>} check what is wrong with a secret, "" where it is right
 * @returns {Promise<boolean>} whether it was entered
 */
export function prove(text, check) {
  const dialog = document.createElement("dialog"), form = document.createElement("form");
  dialog.className = "prove";
  form.id = "prove";
  const why = document.createElement("p"), label = document.createElement("label"), input = document.createElement("input");
  why.textContent = text;
  why.setAttribute("role", "alert");
  label.textContent = `${_("Your PIN or passphrase")} `;
  Object.assign(input, { name: "secret", type: "password", maxLength: 128, required: true, autocomplete: "current-password" });
  label.append(input);
  const go = document.createElement("button"), leave = document.createElement("button");
  Object.assign(go, { type: "submit", className: "primary", textContent: _("Go on") });
  Object.assign(leave, { type: "button", textContent: _("Leave it") });
  form.append(why, label, go, leave);
  dialog.append(form);
  document.body.append(dialog);
  dialog.showModal();
  return new Promise((done) => {
    let entered = false;
    onSubmit(form, async () => {
      const button = sender(form);
      if (button) button.disabled = true;
      const wrong = await check(field(form, "secret").value);
      if (button) button.disabled = false;
      if (wrong) {
        why.textContent = wrong;
        input.value = "";
        input.focus();
      } else {
        entered = true;
        dialog.close();
      }
    });
    leave.addEventListener("click", () => dialog.close());
    dialog.addEventListener("close", () => {
      dialog.remove();
      done(entered);
    });
  });
}
