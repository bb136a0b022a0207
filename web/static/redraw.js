// @ts-check
// Part of a page drawn anew as the station now says it.
import { byId } from "./dom.js";
import { say } from "./send.js";

/** @param {string} id @returns {Promise<Document | null>} the page as it came, null where nothing did */
export async function drawAnew(id) {
  const reply = await fetch(location.href, { headers: { Accept: "text/html" } });
  const page = reply.ok ? new DOMParser().parseFromString(await reply.text(), "text/html") : null;
  const fresh = page?.getElementById(id);
  if (!page || !fresh) {
    say("The page could not be redrawn. Reload it.");
    return null;
  }
  byId(id).replaceWith(fresh);
  return page;
}
