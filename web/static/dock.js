// @ts-check
// The one next action at the foot of the page: ticked or set from there, never twice by one trembling thumb, and with
// the focus on it once what had it is gone.
import { around, byId } from "./dom.js";
import { onLive } from "./live.js";
import { act } from "./send.js";

const LOCK_MS = 700;
const STEPS = "[data-mark], [data-tick]";

export function dock() {
  let lockedUntil = 0, wanted = false, shown = "";

  // The next action comes to stand where the last one stood: a second tap within a moment was meant for the first.
  document.addEventListener("click", (event) => {
    if (!around(event, STEPS)) return;
    if (performance.now() < lockedUntil) {
      event.preventDefault();
      event.stopImmediatePropagation();
      return;
    }
    lockedUntil = performance.now() + LOCK_MS;
    wanted = true;
    document.body.classList.add("locked");
    setTimeout(() => document.body.classList.remove("locked"), LOCK_MS);
  }, { capture: true });

  // A key that is still down from the last action, such as the hold, sets nothing off when the focus has moved on.
  document.addEventListener("keydown", (event) => {
    if (event.repeat && around(event, STEPS)) event.preventDefault();
  }, { capture: true });
  document.addEventListener("focusin", (event) => {
    wanted = byId("dock").contains(/** @type {Node} */ (event.target)) || around(event, STEPS) !== null;
  });

  document.addEventListener("click", (event) => {
    const button = around(event, "[data-tick]");
    if (button) act(button, "/api/check", { key: button.dataset.tick, done: true });
  });

  onLive((live) => {
    const now = `${live.stage} ${live.html.next}`;
    if (now === shown) return;
    shown = now;
    const held = document.activeElement;
    const lost = held === null || held === document.body || held.closest("[hidden]") !== null;
    if (!wanted || !lost) return;
    const next = document.getElementById("next") ?? byId("hold");
    next.focus({ preventScroll: true });
  });
}
