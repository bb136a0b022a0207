// @ts-check
// A bay that is entered, retired, brought back, moved or given another token: each form is one change, with what it came to behind it.
import { byId, onSubmit, sender } from "./dom.js";
import { act, reload } from "./send.js";

/** What was filled in, and whose bay it is. @param {HTMLFormElement} form */
function told(form) {
  const { change: _to, again, ...whose } = form.dataset;
  return { ...Object.fromEntries(new FormData(form)), ...whose, ...(again ? { again: true } : {}) };
}

/** @param {HTMLFormElement} form @param {Record<string, any>} content */
function shown(form, content) {
  if (content.token) {
    byId("token-name").textContent = content.name;
    byId("token-text").textContent = content.token;
    byId("token").hidden = false;
    byId("token").scrollIntoView({ block: "start" });
    form.remove();
  } else if (content.to) location.assign(content.to);
  else reload();
}

for (const form of /** @type {NodeListOf<HTMLFormElement>} */ (document.querySelectorAll("form[data-change]"))) {
  onSubmit(form, async () => {
    const content = await act(sender(form), form.dataset.change ?? "", told(form));
    if (content) shown(form, content);
  });
}
