// A job's page: the drained fluid's condition, and photos.
import { act, condition, reload, upload } from "./send.js";

const job = document.querySelector("main").dataset.job;

document.getElementById("condition").addEventListener("submit", async (event) => {
  event.preventDefault();
  const it = event.target;
  if (await act(it.querySelector("button"), "/api/condition", { ...condition(it), job_id: job })) reload();
});
document.getElementById("photo").addEventListener("submit", async (event) => {
  event.preventDefault();
  const it = event.target.elements, query = new URLSearchParams({ by: it.by.value, text: it.text.value });
  const address = `/api/jobs/${encodeURIComponent(job)}/photo?${query}`;
  if (await upload(event.target.querySelector("button"), address, it.file.files[0])) reload();
});
