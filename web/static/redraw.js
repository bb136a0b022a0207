// @ts-check
// Part of a page drawn anew as the station now says it.
import { byId } from "./dom.js";
import { whenFree } from "./press.js";
import { say } from "./send.js";
import { _ } from "./words.js";

/**
 * @param {string} id @param {() => boolean} [spare] whether what stands there is to stay after all
 * @returns {Promise<Document | null>} the page as it came, null where nothing did or it stayed
 */
export async function drawAnew(id, spare = () => false) {
  const reply = await fetch(location.href, { headers: { Accept: "text/html" } });
  const page = reply.ok ? new DOMParser().parseFromString(await reply.text(), "text/html") : null;
  const fresh = page?.getElementById(id);
  if (!page || !fresh) {
    say(_("The page could not be redrawn. Reload it."));
    return null;
  }
  await new Promise((free) => whenFree(byId(id), () => free(null)));
  if (spare()) return null;
  byId(id).replaceWith(fresh);
  return page;
}
