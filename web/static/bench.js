// @ts-check
// The bench panel of a simulated bay.
import { pressAndHold } from "./press_and_hold.js";
import { around, byId, textOf } from "./dom.js";
import { act, send, say } from "./send.js";

export function benchPanel() {
  const panel = document.getElementById("bench");
  if (!panel) return;
  panel.addEventListener("click", (event) => {
    const button = around(event, "[data-bench]");
    if (button) act(button, "/api/bench", { verb: button.dataset.bench });
  });
  /** @param {string} verb */
  const pendant = (verb) => send("/api/bench", { verb }).catch((error) => say(textOf(error)));
  pressAndHold(byId("pendant"), () => pendant("pendant_down"), () => pendant("pendant_up"));
}
