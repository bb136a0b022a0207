// The bench panel of a simulated bay.
import { pressAndHold } from "./hold.js";
import { act, send, say } from "./send.js";

export function benchPanel() {
  const panel = document.getElementById("bench");
  if (!panel) return;
  panel.addEventListener("click", (event) => {
    const button = event.target.closest("[data-bench]");
    if (button) act(button, "/api/bench", { verb: button.dataset.bench });
  });
  const pendant = (verb) => send("/api/bench", { verb }).catch((error) => say(error.message));
  pressAndHold(document.getElementById("pendant"), () => pendant("pendant_down"), () => pendant("pendant_up"));
}
