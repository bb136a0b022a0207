// @ts-check
// Looking things up on a page, each with the type that the checker needs. What a template promises and does not give is
// an error with its name, not a null further on.

/** @typedef {HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement} Field */

/** @param {string} id @returns {HTMLElement} */
export function byId(id) {
  const found = document.getElementById(id);
  if (!found) throw new Error(`This page has no #${id}.`);
  return found;
}

/** @param {string} id @returns {HTMLButtonElement} */
export const buttonOf = (id) => /** @type {HTMLButtonElement} */ (byId(id));

/** @param {string} id @returns {HTMLFormElement} */
export const formOf = (id) => /** @type {HTMLFormElement} */ (byId(id));

/** The form's button that sends it. @param {HTMLFormElement} form @returns {HTMLButtonElement | null} */
export const sender = (form) => form.querySelector("button[type=submit], button:not([type])");

/** @param {HTMLFormElement} form @param {string} name @returns {Field} */
export function field(form, name) {
  const found = form.elements.namedItem(name);
  if (!(found instanceof HTMLElement)) throw new Error(`The form #${form.id} has no field ${name}.`);
  return /** @type {Field} */ (found);
}

/** @param {HTMLFormElement} form @param {string} name @returns {HTMLSelectElement} */
export const choice = (form, name) => /** @type {HTMLSelectElement} */ (field(form, name));

/** @param {HTMLFormElement} form @param {string} name @returns {boolean} */
export const ticked = (form, name) => /** @type {HTMLInputElement} */ (field(form, name)).checked;

/** The file that was picked, if any. @param {HTMLFormElement} form @param {string} name @returns {File | undefined} */
export const picked = (form, name) => /** @type {HTMLInputElement} */ (field(form, name)).files?.[0];

/** The innermost element around an event that fits a selector. @param {Event} event @param {string} selector */
export const around = (event, selector) =>
  /** @type {HTMLButtonElement | null} */ (event.target instanceof Element ? event.target.closest(selector) : null);

/** Call with the form on submit, instead of what a browser does. @param {HTMLFormElement} form @param {(form: HTMLFormElement) => unknown} send */
export function onSubmit(form, send) {
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    send(form);
  });
}

/** @param {unknown} error */
export const textOf = (error) => (error instanceof Error ? error.message : String(error));
