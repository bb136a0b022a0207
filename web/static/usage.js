// @ts-check
// The manager's entries: a delivery, a stock take, purge, waste.
import { byId, choice, field, formOf, onSubmit, sender } from "./dom.js";
import { act, reload } from "./send.js";
import { N_, _ } from "./words.js";

const form = formOf("movement");
/** @type {Record<string, string>} */
const HINTS = {
  received: N_("What came into the container, by the delivery note or the scale."),
  counted: N_("What stands in the container now, by dipstick or scale. The books go on from this figure."),
  purge: N_("Run through the hose and into no compartment."),
  waste: N_("Spilled or thrown away."),
  drawn: N_("Taken out by hand, outside of any job."),
  collected: N_("Used fluid taken away for disposal, by the collector's note."),
};

function show() {
  const kind = field(form, "kind").value;
  byId("movement-hint").textContent = kind in HINTS ? _(HINTS[kind]) : "";
  byId("volume-label").textContent = kind === "counted" ? _("Counted, with unit") : _("Volume, with unit");
  field(form, "u95").required = kind === "counted"; // whether fluid is missing is judged by it
  const held = choice(form, "container").selectedOptions[0].dataset.fluid;
  if (held) field(form, "fluid").value = held;
  else if (kind === "collected") field(form, "fluid").value = "used fluid";
}

// Who enters stays filled in on this device.
const name = /** @type {HTMLInputElement} */ (field(form, "technician"));
try { name.value ||= localStorage.getItem("by") ?? ""; } catch { /* a browser may keep nothing */ }
name.addEventListener("change", () => { try { localStorage.setItem("by", name.value); } catch { /* as above */ } });

field(form, "kind").addEventListener("change", show);
field(form, "container").addEventListener("change", show);
onSubmit(form, async () => {
  if (await act(sender(form), "/api/movement", Object.fromEntries(new FormData(form)))) reload();
});
byId("print").addEventListener("click", () => print());
show();
