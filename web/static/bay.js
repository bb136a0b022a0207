// The bay page: everything a technician can do, each by one address of the station.
import { benchPanel } from "./bench.js";
import { holdToRun } from "./hold.js";
import { planForm } from "./plan.js";
import { act, send, say } from "./send.js";

const byId = (id) => document.getElementById(id);

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-mark]");
  if (button) act(button, "/api/mark", { mark: button.dataset.mark });
});
document.addEventListener("change", async (event) => {
  const box = event.target;
  if (!box.dataset.check) return;
  if (!(await act(null, "/api/check", { key: box.dataset.check, done: box.checked }))) box.checked = !box.checked;
});

const release = holdToRun(byId("hold"));
byId("stop").addEventListener("pointerdown", stop);
byId("stop").addEventListener("click", stop);
function stop() {
  release();
  send("/api/stop").catch((error) => say(`${error.message} Use the red switch at the pump.`));
}

byId("top-up").addEventListener("click", () => act(byId("top-up"), "/api/top-up"));
const form = (id, path, body) => byId(id).addEventListener("submit", async (event) => {
  event.preventDefault();
  const it = event.target;
  if (await act(it.querySelector("button"), path, body(it.elements))) it.reset();
});
form("torque", "/api/note", (f) => ({ kind: "torque", text: `${f.what.value} ${f.value.value}` }));
form("remark", "/api/note", (f) => ({ kind: "remark", text: f.text.value }));
form("abandon", "/api/abandon", (f) => ({ reason: f.reason.value }));
planForm();
benchPanel();
