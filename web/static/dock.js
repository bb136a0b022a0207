// @ts-check
// The one next action at the foot of the page: ticked or set from there, never twice by one trembling thumb, and with
// the focus on it once it has changed.
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

  document.addEventListener("click", (event) => {
    const button = around(event, "[data-tick]");
    if (button) act(button, "/api/check", { key: button.dataset.tick, done: true });
  });

  onLive((live) => {
    const now = `${live.stage} ${live.html.next}`;
    if (now === shown) return;
    shown = now;
    const lost = document.activeElement === null || document.activeElement === document.body;
    if (!wanted || !lost) return;
    wanted = false;
    const next = document.getElementById("next") ?? byId("hold");
    next.focus({ preventScroll: true });
  });
}
