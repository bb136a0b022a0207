// @ts-check
// What the station objects to, shown where it was typed. Its sentences begin with the field that they are about: with its
// label, with what stands in it before a comma, or with its name.

/** @param {string} text */
const plain = (text) => text.trim().toLowerCase().replaceAll("_", " ");

/** The words of a label without what lies inside its field. @param {HTMLElement} input */
function labelOf(input) {
  const label = input.closest("label");
  return plain([...(label?.childNodes ?? [])].filter((node) => node.nodeType === Node.TEXT_NODE).map((node) => node.textContent).join(" "));
}

/** @param {HTMLElement} input */
function clear(input) {
  input.removeAttribute("aria-invalid");
  document.getElementById(input.getAttribute("aria-describedby") ?? "")?.remove();
  input.removeAttribute("aria-describedby");
}

/** Take back every objection. @param {HTMLFormElement} form */
export function accept(form) {
  for (const input of /** @type {NodeListOf<HTMLElement>} */ (form.querySelectorAll("[aria-invalid]"))) clear(input);
}

/**
 * Mark the field that a sentence begins with, and put the sentence beside it.
 * @param {HTMLFormElement} form @param {string} text @returns {boolean} whether there is one
 */
export function object(form, text) {
  accept(form);
  const said = plain(text);
  const begins = (/** @type {string} */ word) => word !== "" && said.startsWith(word) && !/\p{L}/u.test(said[word.length] ?? "");
  const inputs = /** @type {(HTMLElement & { name: string })[]} */ ([...form.elements].filter((it) => it instanceof HTMLElement && "name" in it && it.tagName !== "BUTTON"));
  const input = inputs.find((it) => begins(labelOf(it)) || begins(plain(labelOf(it).split(",")[0])) || begins(plain(it.name)));
  if (!input) return false;
  const note = document.createElement("p");
  note.id = `${form.id || "form"}-${input.name}-objection`;
  note.className = "objection";
  note.textContent = text;
  (input.closest("label") ?? input).after(note);
  input.setAttribute("aria-invalid", "true");
  input.setAttribute("aria-describedby", note.id);
  input.closest("details")?.setAttribute("open", "");
  input.addEventListener("input", () => clear(input), { once: true });
  input.focus();
  return true;
}
