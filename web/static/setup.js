// @ts-check
// Set-up: entering, changing, retiring, and files that are looked at before they change anything.
import { around, buttonOf, byId, field, formOf, onSubmit, picked, sender } from "./dom.js";
import { act, reload } from "./send.js";

const form = formOf("entry"), to = form.dataset.to ?? "", title = byId("entry-title"), by = /** @type {HTMLInputElement} */ (byId("by"));
const CHUNK = 0x8000;
let known = false;

// Who enters stays filled in on this device.
try { by.value = localStorage.getItem("by") || ""; } catch { /* a browser may keep nothing */ }
by.addEventListener("change", () => { try { localStorage.setItem("by", by.value); } catch { /* as above */ } });

// Whose lists they are: at the roll-up those of a shop, at a bay its own.
const whose = () => ({ table: form.dataset.table, by: by.value, ...(form.dataset.shop ? { shop: form.dataset.shop } : {}) });

/** @param {Record<string, string> | null} fields @param {boolean} retired */
function show(fields, retired) {
  known = fields !== null;
  title.textContent = (!known ? title.dataset.new : retired ? title.dataset.back : title.dataset.known) ?? "";
  form.classList.toggle("known", known);
  /** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */
  const inputs = form.querySelectorAll("input, select");
  for (const field of inputs) {
    if (fields !== null) {
      const value = fields[field.name] || "";
      // What a list no longer offers is still what stands there.
      if (field instanceof HTMLSelectElement && value && ![...field.options].some((o) => o.value === value)) field.add(new Option(value));
      field.value = value;
    }
    if (!("key" in field.dataset)) continue;
    if (field instanceof HTMLInputElement) field.readOnly = known;
    field.classList.toggle("fixed", known);
    field.tabIndex = known ? -1 : 0;
  }
  document.getElementById("optional")?.toggleAttribute("open", known);
  byId("retire").hidden = !known || retired;
  byId("fresh").hidden = !known;
}

document.addEventListener("click", (event) => {
  const button = around(event, "[data-change]");
  if (!button) return;
  show(JSON.parse(button.dataset.change ?? "null"), "retired" in button.dataset);
  form.scrollIntoView({ block: "start" });
});
document.addEventListener("click", async (event) => {
  const button = around(event, "button[data-again]");
  if (button && await act(button, "/api/notices/again", { name: button.dataset.again })) reload();
});
form.addEventListener("reset", () => show(null, false));

onSubmit(form, async () => {
  // A changed entry is sent whole, so that a field can be emptied; a new one says only what was filled in.
  const given = [...new FormData(form)].filter(([, text]) => known || text !== "");
  const body = { ...whose(), fields: Object.fromEntries(given) };
  if (await act(sender(form), `${to}/enter`, body)) reload();
});

byId("retire").addEventListener("click", async () => {
  /** @type {NodeListOf<HTMLInputElement | HTMLSelectElement>} */
  const keys = form.querySelectorAll("[data-key]");
  const key = [...keys].map((one) => one.value);
  if (await act(buttonOf("retire"), `${to}/retire`, { ...whose(), key })) reload();
});

const file = formOf("import"), told = byId("told"), apply = buttonOf("apply");

// The bytes as they are: what is no UTF-8 is for the station to find, row by row.
/** @param {File} chosen @param {boolean} really */
async function body(chosen, really) {
  const bytes = new Uint8Array(await chosen.arrayBuffer());
  let text = "";
  for (let at = 0; at < bytes.length; at += CHUNK) text += String.fromCharCode(...bytes.subarray(at, at + CHUNK));
  return { ...whose(), data: btoa(text), apply: really, name: chosen.name.slice(0, 200) };
}

function forget() {
  apply.hidden = true;
  told.replaceChildren();
}

onSubmit(file, async () => {
  forget();
  const chosen = picked(file, "file");
  if (!chosen) return;
  const content = await act(sender(file), `${to}/import`, await body(chosen, false));
  if (!content) return;
  told.innerHTML = content.html;
  apply.hidden = !content.can;
});
field(file, "file").addEventListener("change", forget);
apply.addEventListener("click", async () => {
  const chosen = picked(file, "file");
  if (chosen && await act(apply, `${to}/import`, await body(chosen, true))) reload();
});
