// Set-up: entering, changing, retiring, and files that are looked at before they change anything.
import { act, reload } from "./send.js";

const byId = (id) => document.getElementById(id);
const form = byId("entry"), title = byId("entry-title"), by = byId("by");
const CHUNK = 0x8000;
let known = false;

// Who enters stays filled in on this device.
try { by.value = localStorage.getItem("by") || ""; } catch { /* a browser may keep nothing */ }
by.addEventListener("change", () => { try { localStorage.setItem("by", by.value); } catch { /* as above */ } });

function show(fields, retired) {
  known = fields !== null;
  title.textContent = !known ? title.dataset.new : retired ? title.dataset.back : title.dataset.known;
  form.classList.toggle("known", known);
  for (const field of form.querySelectorAll("input, select")) {
    if (known) {
      const value = fields[field.name] || "";
      // What a list no longer offers is still what stands there.
      if (field.tagName === "SELECT" && value && ![...field.options].some((o) => o.value === value)) field.add(new Option(value));
      field.value = value;
    }
    if (!("key" in field.dataset)) continue;
    field.readOnly = known;
    field.classList.toggle("fixed", known);
    field.tabIndex = known ? -1 : 0;
  }
  if (byId("optional")) byId("optional").open = known;
  byId("retire").hidden = !known || retired;
  byId("fresh").hidden = !known;
}

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-change]");
  if (!button) return;
  show(JSON.parse(button.dataset.change), "retired" in button.dataset);
  form.scrollIntoView({ block: "start" });
});
form.addEventListener("reset", () => show(null, false));

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  // A changed entry is sent whole, so that a field can be emptied; a new one says only what was filled in.
  const given = [...new FormData(form)].filter(([, text]) => known || text !== "");
  const body = { table: form.dataset.table, fields: Object.fromEntries(given), by: by.value };
  if (await act(form.querySelector("[type=submit]"), "/api/catalogue/enter", body)) reload();
});

byId("retire").addEventListener("click", async () => {
  const key = [...form.querySelectorAll("[data-key]")].map((field) => field.value);
  if (await act(byId("retire"), "/api/catalogue/retire", { table: form.dataset.table, key, by: by.value })) reload();
});

const file = byId("import"), told = byId("told"), apply = byId("apply");

// The bytes as they are: what is no UTF-8 is for the station to find, row by row.
async function body(really) {
  const picked = file.elements.file.files[0];
  const bytes = new Uint8Array(await picked.arrayBuffer());
  let text = "";
  for (let at = 0; at < bytes.length; at += CHUNK) text += String.fromCharCode(...bytes.subarray(at, at + CHUNK));
  return { table: file.dataset.table, data: btoa(text), apply: really, name: picked.name.slice(0, 200), by: by.value };
}

function forget() {
  apply.hidden = true;
  told.replaceChildren();
}

file.addEventListener("submit", async (event) => {
  event.preventDefault();
  forget();
  const content = await act(file.querySelector("[type=submit]"), "/api/catalogue/import", await body(false));
  if (!content) return;
  told.innerHTML = content.html;
  apply.hidden = !content.can;
});
file.elements.file.addEventListener("change", forget);
apply.addEventListener("click", async () => {
  if (await act(apply, "/api/catalogue/import", await body(true))) reload();
});
