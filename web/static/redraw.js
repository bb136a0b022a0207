// @ts-check
// Part of a page drawn anew as the station now says it.
import { byId } from "./dom.js";
import { whenFree } from "./press.js";
import { say } from "./send.js";
import { _ } from "./words.js";

let asked = 0;

/** What a person opened stays open. @param {Element} old @param {Element} fresh */
function keepOpen(old, fresh) {
  for (const details of old.querySelectorAll("details[open]")) {
    const id = details.closest("[id]")?.id || "";
    const within = id === fresh.id ? fresh : fresh.querySelector(`#${CSS.escape(id)}`);
    const said = details.querySelector("summary")?.textContent;
    for (const one of within?.querySelectorAll("details") || []) {
      if (one.querySelector("summary")?.textContent === said) one.open = true;
    }
  }
}

/**
 * @param {string} id @param {() => boolean} [spare] whether what stands there is to stay after all
 * @returns {Promise<Document | null>} the page as it came, null where nothing did, it stayed, or a later one was asked for
 */
export async function drawAnew(id, spare = () => false) {
  const turn = ++asked;
  const reply = await fetch(location.href, { headers: { Accept: "text/html" } });
  const page = reply.ok ? new DOMParser().parseFromString(await reply.text(), "text/html") : null;
  const fresh = page?.getElementById(id);
  if (!page || !fresh) {
    say(_("The page could not be redrawn. Reload it."));
    return null;
  }
  await new Promise((free) => whenFree(byId(id), () => free(null)));
  if (turn !== asked || spare()) return null;
  keepOpen(byId(id), fresh);
  byId(id).replaceWith(fresh);
  return page;
}
