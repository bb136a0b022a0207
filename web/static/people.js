// @ts-check
// The owner's page: each button changes one person.
import { around, byId, field, formOf, onSubmit, sender } from "./dom.js";
import { act, reload } from "./send.js";

/** Name, role, and at a roll-up the shops that are ticked. @param {HTMLFormElement} form @param {string} name */
function told(form, name) {
  const ticks = /** @type {HTMLInputElement[]} */ ([...form.querySelectorAll("[name=shops]")]);
  const shops = ticks.filter((one) => one.checked).map((one) => one.value);
  return { name, role: field(form, "role").value, ...(ticks.length ? { shops } : {}) };
}

/** @param {Record<string, any> | null} content */
function shown(content) {
  if (!content) return;
  if (!content.code) {
    reload();
    return;
  }
  byId("code-name").textContent = content.name;
  byId("code-text").textContent = content.code;
  const where = document.getElementById("code-where");
  if (where) where.textContent = `${location.origin}/sign-in`;
  byId("code").hidden = false;
  byId("code").scrollIntoView({ block: "start" });
}

document.addEventListener("click", async (event) => {
  const button = around(event, "button[data-change]");
  if (button) shown(await act(button, button.dataset.change ?? "", { name: button.dataset.name }));
});

for (const form of /** @type {NodeListOf<HTMLFormElement>} */ (document.querySelectorAll("form[data-change]"))) {
  onSubmit(form, async () => shown(await act(sender(form), form.dataset.change ?? "", told(form, form.dataset.name ?? ""))));
}

const add = document.getElementById("add") ? formOf("add") : null;
if (add) onSubmit(add, async () => shown(await act(sender(add), "/api/people/add", told(add, field(add, "name").value))));
