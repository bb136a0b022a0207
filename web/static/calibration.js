// @ts-check
// The calibration page. Each step goes to the station; what the station then says is drawn anew.
import { byId, textOf } from "./dom.js";
import { benchPanel } from "./bench.js";
import { watchCalm } from "./calm.js";
import { sendForms } from "./forms.js";
import { holdToRun } from "./hold.js";
import { drawAnew } from "./redraw.js";
import { say, send } from "./send.js";
import { _ } from "./words.js";

const runOpen = () => byId("desk").dataset.run === "open";
/** @type {ReturnType<typeof setTimeout> | undefined} */
let again;

/** @param {() => boolean} [spare] */
async function redraw(spare) {
  const page = await drawAnew("desk", spare);
  if (page) document.body.dataset.kind = page.body.dataset.kind;
  settle();
}

function settle() {
  byId("dock").hidden = !runOpen();
  document.body.classList.toggle("has-dock", runOpen());
  clearTimeout(again);
  const seconds = Number(byId("desk").dataset.again || 0);
  const used = () => byId("desk").contains(document.activeElement);
  if (seconds) again = setTimeout(() => (used() ? settle() : redraw(used)), seconds * 1000);
}

sendForms(document, (content, element) => {
  element.closest("details")?.removeAttribute("open");
  if (content.go) location.href = content.go;
  else if (element.closest("#desk")) redraw().catch(() => say(_("The station cannot be reached. Check the network.")));
});

const release = holdToRun(byId("hold"), runOpen);
const stop = () => {
  release();
  send("/api/stop").catch((error) => say(`${textOf(error)} ${_("Use the red switch at the pump.")}`));
};
byId("stop").addEventListener("pointerdown", stop);
byId("stop").addEventListener("click", stop);
benchPanel();
watchCalm();
settle();
