// Set-up: entries, retiring, and files that are looked at before they change anything.
import { act, hush, reload } from "./send.js";

document.querySelector("#message button").addEventListener("click", hush);

for (const form of document.querySelectorAll("[data-enter]")) form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const given = [...new FormData(form)].filter(([, text]) => text !== "");
  const body = { table: form.dataset.enter, fields: Object.fromEntries(given) };
  if (await act(form.querySelector("button"), "/api/catalogue/enter", body)) reload();
});

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-retire]");
  if (!button) return;
  const body = { table: button.dataset.retire, key: JSON.parse(button.dataset.key) };
  if (await act(button, "/api/catalogue/retire", body)) reload();
});

function line(text) {
  const p = document.createElement("p");
  p.textContent = text;
  return p;
}

for (const form of document.querySelectorAll("[data-import]")) {
  const told = form.querySelector(".import-told"), apply = form.querySelector("[data-apply]");
  const body = async (really) => {
    const file = form.elements.file.files[0];
    return { table: form.dataset.import, data: await file.text(), apply: really, name: file.name.slice(0, 200) };
  };
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const content = await act(form.querySelector("button"), "/api/catalogue/import", await body(false));
    if (!content) return;
    const { changes, rejected, unchanged } = content.plan;
    told.replaceChildren(
      line(`${changes.length} changes, ${unchanged} unchanged, ${rejected.length} rejected.`),
      ...changes.slice(0, 20).map((c) => line(`${c.action} ${c.key.join(" · ")}: ${Object.entries(c.fields).map(([n, t]) => `${n} ${t}`).join(", ")}`)),
      ...rejected.map((r) => line(`Row ${r.row}: ${r.reason}`)),
    );
    apply.hidden = changes.length === 0 || rejected.length > 0;
  });
  form.elements.file.addEventListener("change", () => { apply.hidden = true; told.replaceChildren(); });
  apply.addEventListener("click", async () => {
    if (await act(apply, "/api/catalogue/import", await body(true))) reload();
  });
}
