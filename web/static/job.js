// @ts-check
// A job's page: the drained fluid's condition, and photos.
import { field, formOf, onSubmit, picked, sender } from "./dom.js";
import { act, condition, reload, upload } from "./send.js";

const job = document.querySelector("main")?.dataset.job ?? "";

onSubmit(formOf("condition"), async (form) => {
  if (await act(sender(form), "/api/condition", { ...condition(form), job_id: job })) reload();
});
onSubmit(formOf("photo"), async (form) => {
  const file = picked(form, "file");
  if (!file) return;
  const query = new URLSearchParams({ by: field(form, "by").value, text: field(form, "text").value });
  if (await upload(sender(form), `/api/jobs/${encodeURIComponent(job)}/photo?${query}`, file)) reload();
});
