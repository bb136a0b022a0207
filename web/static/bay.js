// @ts-check
// The bay page: everything a technician can do, each by one address of the station.
import { benchPanel } from "./bench.js";
import { cues } from "./cues.js";
import { dock } from "./dock.js";
import { around, buttonOf, byId, field, formOf, onSubmit, sender, textOf } from "./dom.js";
import { holdToRun } from "./hold.js";
import { onLive } from "./live.js";
import { liveCurve } from "./live_curve.js";
import { planForm } from "./plan.js";
import { act, condition, say, send } from "./send.js";
import { _ } from "./words.js";

document.addEventListener("click", (event) => {
  const button = around(event, "[data-mark]");
  if (button) act(button, "/api/mark", { mark: button.dataset.mark, ask: true }, { refused: askUnit });
});
// 409: the listed capacity was probably typed in another unit, and the station asks before it fills.
/** @param {string} text @param {number} status */
function askUnit(text, status) {
  byId("unit").hidden = status !== 409;
  if (status !== 409) return say(text);
  byId("unit-text").textContent = text;
  byId("unit").scrollIntoView({ block: "nearest" });
}
onLive((live) => { if (live.stage !== "reseal" && live.stage !== "drip" && live.stage !== "drain") byId("unit").hidden = true; });
document.addEventListener("change", async (event) => {
  const box = event.target;
  if (!(box instanceof HTMLInputElement) || !box.dataset.check) return;
  if (!(await act(null, "/api/check", { key: box.dataset.check, done: box.checked }))) box.checked = !box.checked;
});

dock();
const release = holdToRun(byId("hold"));
byId("stop").addEventListener("pointerdown", stop);
byId("stop").addEventListener("click", stop);
function stop() {
  release();
  send("/api/stop").catch((error) => say(`${textOf(error)} ${_("Use the red switch at the pump.")}`));
}

document.addEventListener("click", async (event) => {
  const button = around(event, "[data-answer]");
  if (!button) return;
  const { step, answer } = button.dataset;
  if (await act(button, "/api/answer", { step, answer })) byId("on-pan").setAttribute("open", "");
});
document.addEventListener("click", (event) => {
  const button = around(event, "[data-interruption]");
  if (!button) return;
  act(button, "/api/interruption", { pan_moved: button.dataset.moved !== "", filled: button.dataset.filled !== "" });
});
/** @param {string} id @param {string} path @param {unknown} [body] */
const press = (id, path, body) => byId(id).addEventListener("click", () => act(buttonOf(id), path, body));
press("top-up", "/api/top-up");
/**
 * @param {string} id @param {string} path
 * @param {(value: (name: string) => string) => unknown} body what is sent, from the fields' values
 */
const form = (id, path, body, after = () => {}) => onSubmit(formOf(id), async (it) => {
  if (await act(sender(it), path, body((name) => field(it, name).value))) { it.reset(); after(); }
});
document.addEventListener("submit", (event) => {
  const it = event.target;
  if (!(it instanceof HTMLFormElement) || it.id !== "close-reason") return;
  event.preventDefault();
  act(sender(it), "/api/mark", { mark: "close", reason: field(it, "reason").value });
});
form("torque", "/api/note", (f) => ({ kind: "torque", text: `${f("what")} ${f("value")}` }));
let held = "";
onLive((live) => { held = live.text["held.kind"] ?? ""; });
form("override", "/api/override", (f) => ({ kind: held, reason: f("reason") }));
form("drum", "/api/drum", (f) => ({ container: f("container"), fluid: f("fluid"), left: f("left") }));
form("container", "/api/container", (f) => ({ which: f("which"), weight: f("weight"), division: f("division") }));
document.addEventListener("click", (event) => {
  const button = around(event, "[data-purge]");
  if (button) act(button, "/api/purge", { begin: button.dataset.purge === "begin" });
});
press("clear-pump", "/api/clear-pump");
form("remark", "/api/note", (f) => ({ kind: "remark", text: f("text") }));
form("abandon", "/api/abandon", (f) => ({ reason: f("reason") }));
form("unit-right", "/api/note", (f) => ({ kind: "capacity", text: f("reason") }), () => { byId("unit").hidden = true; });
form("unit-wrong", "/api/abandon", () => ({ reason: _("listed capacity in another unit") }));
onSubmit(formOf("condition"), async (it) => {
  const button = sender(it);
  if (await act(button, "/api/condition", condition(it)) && button) button.textContent = _("Noted. Note it again");
});
planForm();
cues();
liveCurve();
benchPanel();
