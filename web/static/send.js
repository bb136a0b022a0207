// @ts-check
// One way to change something: JSON by POST. Anything else the station refuses.
import { field, textOf, ticked } from "./dom.js";
import { accept, object } from "./fields.js";
import { _ } from "./words.js";

/** Why the station did not do it. status: as HTTP has it, 0 where it was not reached. again: the secret is wanted first. */
export class Refusal extends Error {
  /** @param {string} text @param {number} status @param {boolean} again */
  constructor(text, status = 0, again = false) {
    super(text);
    this.status = status;
    this.again = again;
  }
}

const HEADERS = { "Content-Type": "application/json", "X-Tallypan": "1" };

/**
 * @param {string} path @param {unknown} [body] @param {RequestInit} [options]
 * @returns {Promise<Record<string, any>>} what the station answers; throws a Refusal
 */
export async function send(path, body = {}, options = {}) {
  let reply;
  const text = JSON.stringify(body);
  try {
    // Whoever taps and leaves the page at once has still said it; browsers keep alive no more than 64 KiB.
    const keepalive = !options.body && text.length < 60_000;
    reply = await fetch(path, { method: "POST", headers: HEADERS, body: text, keepalive, ...options });
  } catch {
    throw new Refusal(_("The station cannot be reached. Check the network."));
  }
  /** @type {Record<string, any>} */
  let content = {};
  try { content = await reply.json(); } catch { /* the status says enough */ }
  if (!reply.ok) throw new Refusal(content.text || _("The station refused ({status}).", { status: reply.status }), reply.status, content.again === true);
  return content;
}

const box = document.getElementById("message");
const words = box?.querySelector("p");

// to: where a link behind the text leads to sign in; "" for none.
/** @param {string} text @param {string} to */
export function say(text, to = "") {
  if (!box || !words) return;
  words.textContent = text;
  if (to) {
    const link = document.createElement("a");
    link.href = to;
    link.textContent = _("Sign in");
    words.append(" ", link);
  }
  box.hidden = false;
}

export function hush() { if (box) box.hidden = true; }

// What is grave wants the secret first; then it is sent once more.
/** @param {string} path @param {unknown} body @param {RequestInit} options */
async function sendProved(path, body, options) {
  try {
    return await send(path, body, options);
  } catch (error) {
    if (!(error instanceof Refusal) || !error.again) throw error;
    const { prove } = await import("./prove.js");
    const entered = await prove(error.message, async (secret) => {
      try { await send("/api/prove", { secret }); } catch (wrong) { return textOf(wrong); }
      return "";
    });
    if (!entered) throw error;
    return await send(path, body, options);
  }
}

// To sign in, and back to this page.
export const signIn = () => `/sign-in?to=${encodeURIComponent(location.pathname + location.search)}`;

// Send, with the button out of reach meanwhile, and show what the station objects to.
// options: what fetch takes, and refused(text, status) to show an objection elsewhere than at its field or above the page.
/**
 * @param {HTMLButtonElement | null} button @param {string} path @param {unknown} [body]
 * @param {RequestInit & { refused?: (text: string, status: number) => void }} [options]
 */
export async function act(button, path, body, { refused, ...options } = {}) {
  const form = button?.form, focused = button !== null && button === document.activeElement;
  if (button) button.disabled = true;
  try {
    const content = await sendProved(path, body, options);
    hush();
    if (form) accept(form);
    return content;
  } catch (error) {
    if (error instanceof Refusal && error.status === 401 && !error.again) location.assign(signIn());
    const text = textOf(error);
    if (refused) refused(text, error instanceof Refusal ? error.status : 0);
    else if (form && object(form, text)) hush();
    else say(text);
    return null;
  } finally {
    if (button) button.disabled = false;
    // A browser takes the focus from what is disabled.
    if (focused && document.activeElement === document.body) button.focus({ preventScroll: true });
  }
}

// A file goes as it is, under its own type.
/** @param {HTMLButtonElement | null} button @param {string} path @param {File} file */
export const upload = (button, path, file) =>
  act(button, path, {}, { headers: { ...HEADERS, "Content-Type": file.type }, body: file });

// The station answers when an entry is on disk, and pages are drawn from there.
export const reload = () => location.reload();

// The drained fluid's condition, as its form has it.
/** @param {HTMLFormElement} form */
export const condition = (form) => ({
  colour: field(form, "colour").value, smell: field(form, "smell").value, metal: field(form, "metal").value,
  milky: ticked(form, "milky"), note: field(form, "note").value,
});

box?.querySelector("button")?.addEventListener("click", hush);
