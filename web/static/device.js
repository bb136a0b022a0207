// @ts-check
// What this one phone does: dark or light, tones, vibration, a screen that stays on. Kept on the phone alone.
import { _ } from "./words.js";

const KEY = "tallypan.";
/** @param {string} name */
export const isOn = (name) => name === "dark"
  ? document.documentElement.classList.contains("dark")
  : localStorage.getItem(KEY + name) === "on";

/** @type {Record<string, (on: boolean) => void>} */
const followers = {
  dark: (on) => document.documentElement.classList.toggle("dark", on),
};
/** What else happens when a switch is thrown. @param {string} name @param {(on: boolean) => void} follow */
export function onSwitch(name, follow) {
  followers[name] = follow;
}

function show() {
  for (const button of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("[data-device]"))) {
    const on = isOn(button.dataset.device ?? "");
    button.setAttribute("aria-pressed", String(on));
    const word = button.querySelector("span");
    if (word) word.textContent = on ? _("on") : _("off");
  }
}

document.addEventListener("click", (event) => {
  const button = event.target instanceof Element ? /** @type {HTMLElement | null} */ (event.target.closest("[data-device]")) : null;
  const name = button?.dataset.device;
  if (!name) return;
  const on = !isOn(name);
  localStorage.setItem(KEY + name, on ? "on" : "off");
  followers[name]?.(on);
  show();
});
show();
