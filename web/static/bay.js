// The bay page: everything a technician can do, each by one address of the station.
import { benchPanel } from "./bench.js";
import { holdToRun } from "./hold.js";
import { onLive } from "./live.js";
import { planForm } from "./plan.js";
import { act, condition, say, send } from "./send.js";

const byId = (id) => document.getElementById(id);

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-mark]");
  if (button) act(button, "/api/mark", { mark: button.dataset.mark }, { refused: askUnit });
});
// 409: the listed capacity was probably typed in another unit, and the station asks before it fills.
function askUnit(text, status) {
  byId("unit").hidden = status !== 409;
  if (status !== 409) return say(text);
  byId("unit-text").textContent = text;
  byId("unit").scrollIntoView({ block: "nearest" });
}
onLive((live) => { if (live.stage !== "reseal" && live.stage !== "drip" && live.stage !== "drain") byId("unit").hidden = true; });
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

document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-answer]");
  if (!button) return;
  const { step, answer } = button.dataset;
  if (await act(button, "/api/answer", { step, answer })) byId("on-pan").open = true;
});
byId("top-up").addEventListener("click", () => act(byId("top-up"), "/api/top-up"));
const form = (id, path, body, after = () => {}) => byId(id).addEventListener("submit", async (event) => {
  event.preventDefault();
  const it = event.target;
  if (await act(it.querySelector("button"), path, body(it.elements))) { it.reset(); after(); }
});
form("torque", "/api/note", (f) => ({ kind: "torque", text: `${f.what.value} ${f.value.value}` }));
let held = "";
onLive((live) => { held = live.text["held.kind"]; });
form("override", "/api/override", (f) => ({ kind: held, reason: f.reason.value }));
form("drum", "/api/drum", (f) => ({ container: f.container.value, fluid: f.fluid.value, left: f.left.value }));
byId("purge").addEventListener("click", () => act(byId("purge"), "/api/purge", { begin: true }));
byId("purge-done").addEventListener("click", () => act(byId("purge-done"), "/api/purge", { begin: false }));
byId("clear-pump").addEventListener("click", () => act(byId("clear-pump"), "/api/clear-pump"));
form("remark", "/api/note", (f) => ({ kind: "remark", text: f.text.value }));
form("abandon", "/api/abandon", (f) => ({ reason: f.reason.value }));
form("unit-right", "/api/note", (f) => ({ kind: "capacity", text: f.reason.value }), () => { byId("unit").hidden = true; });
form("unit-wrong", "/api/abandon", () => ({ reason: "listed capacity in another unit" }));
byId("condition").addEventListener("submit", async (event) => {
  event.preventDefault();
  const it = event.target, button = it.querySelector("button");
  if (await act(button, "/api/condition", condition(it))) button.textContent = "Noted. Note it again";
});
planForm();
benchPanel();
