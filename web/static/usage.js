// The manager's entries: a delivery, a stock take, purge, waste.
import { act, reload } from "./send.js";

const form = document.getElementById("movement");
const field = (name) => form.elements[name];
const HINTS = {
  received: "What came into the container, by the delivery note or the scale.",
  counted: "What stands in the container now, by dipstick or scale. The books go on from this figure.",
  purge: "Run through the hose and into no compartment.",
  waste: "Spilled or thrown away.",
  drawn: "Taken out by hand, outside of any job.",
  collected: "Used fluid taken away for disposal, by the collector's note.",
};

function show() {
  const kind = field("kind").value;
  document.getElementById("movement-hint").textContent = HINTS[kind];
  document.getElementById("volume-label").textContent = kind === "counted" ? "Counted, with unit" : "Volume, with unit";
  const held = field("container").selectedOptions[0].dataset.fluid;
  if (held) field("fluid").value = held;
  else if (kind === "collected") field("fluid").value = "used fluid";
}

field("kind").addEventListener("change", show);
field("container").addEventListener("change", show);
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (!(await act(form.querySelector("button"), "/api/movement", Object.fromEntries(new FormData(form))))) return;
  reload();
});
document.getElementById("print").addEventListener("click", () => print());
show();
