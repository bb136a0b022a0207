// @ts-check
// Forms and buttons that say themselves where they send what: data-path, and for a button data-body. A field named
// "a.b" is sent inside an object "a"; "a.0.b" inside a list.
import { around } from "./dom.js";
import { act } from "./send.js";

/** @param {Record<string, any>} target @param {string[]} name @param {FormDataEntryValue} value */
function put(target, [name, ...rest], value) {
  if (!rest.length) {
    target[name] = value;
    return;
  }
  target[name] ??= /^\d+$/.test(rest[0]) ? [] : {};
  put(target[name], rest, value);
}

/** @param {HTMLFormElement} form @returns {Record<string, any>} */
export function bodyOf(form) {
  /** @type {Record<string, any>} */
  const body = {};
  for (const [name, value] of new FormData(form)) put(body, name.split("."), value);
  return body;
}

// done(content, element): what happens once the station has agreed.
/** @param {Document} root @param {(content: Record<string, any>, element: HTMLElement) => void} done */
export function sendForms(root, done) {
  root.addEventListener("submit", async (event) => {
    const form = event.target;
    if (!(form instanceof HTMLFormElement) || !form.dataset.path) return;
    event.preventDefault();
    const content = await act(form.querySelector("button[type=submit]"), form.dataset.path, bodyOf(form));
    if (content) done(content, form);
  });
  root.addEventListener("click", async (event) => {
    const button = around(event, "button[data-path]");
    if (!button?.dataset.path) return;
    const content = await act(button, button.dataset.path, JSON.parse(button.dataset.body || "{}"));
    if (content) done(content, button);
  });
}
