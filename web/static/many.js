// @ts-check
// Buttons of the pages over many bays: each changes something of one name.
import { around } from "./dom.js";
import { act, reload } from "./send.js";

document.addEventListener("click", async (event) => {
  const button = around(event, "button[data-change]");
  if (button && await act(button, button.dataset.change ?? "", { name: button.dataset.name })) reload();
});

document.getElementById("print")?.addEventListener("click", () => print());
