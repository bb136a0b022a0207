// @ts-check
// The commissioning page: each step goes to the station, and while it looks, the page is drawn anew.
import { benchPanel } from "./bench.js";
import { byId } from "./dom.js";
import { sendForms } from "./forms.js";
import { drawAnew } from "./redraw.js";
import { say } from "./send.js";
import { _ } from "./words.js";

/** @type {ReturnType<typeof setTimeout> | undefined} */
let again;

/** @param {boolean} stale whether what stands here is older than what the station says */
function settle(stale = false) {
  clearTimeout(again);
  const seconds = Number(byId("desk").dataset.again || (stale ? 1 : 0));
  if (seconds) again = setTimeout(redraw, seconds * 1000);
}

async function redraw() {
  // Nothing is taken from under fingers that type.
  const typing = () => document.activeElement instanceof HTMLInputElement;
  const drawn = !typing() && await drawAnew("desk", typing).catch(() => say(_("The station cannot be reached. Check the network.")));
  settle(!drawn);
}

sendForms(document, (_content, sent) => {
  const field = document.activeElement;
  if (field instanceof HTMLElement && sent.contains(field)) field.blur();
  sent.closest("details")?.removeAttribute("open");
  redraw();
});
benchPanel();
settle();
