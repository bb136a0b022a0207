// @ts-check
// The one next action at the foot of the page: ticked or set from there, never twice by one trembling thumb, and with
// the focus on it once what had it is gone.
import { around, byId } from "./dom.js";
import { onLive } from "./live.js";
import { act } from "./send.js";

const LOCK_MS = 700;
const STEPS = "[data-mark], [data-tick]";

export function dock() {
  let lockedUntil = 0, wanted = false, free = false;

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
  for (const name of ["focusin", "pointerdown"]) {
    document.addEventListener(name, (event) => { wanted = around(event, `#dock, ${STEPS}`) !== null; });
  }

  document.addEventListener("click", (event) => {
    const button = around(event, "[data-tick]");
    if (button) act(button, "/api/check", { key: button.dataset.tick, done: true });
  });

  // Whoever holds goes on to what comes after it once the control is let go, and may step back to it.
  onLive(() => {
    const next = document.getElementById("next"), hold = byId("hold"), focused = document.activeElement;
    const lost = focused === null || focused === document.body || focused.closest("[hidden]") !== null;
    const was = free;
    free = next !== null && hold.dataset.pressed === undefined;
    if (wanted && (lost || (focused === hold && free && !was))) (next ?? hold).focus({ preventScroll: true });
  });
}
