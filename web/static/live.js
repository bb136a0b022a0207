// @ts-check
// Follows the station's event stream and puts each view in its place. Figures arrive as text, ready to show.
import { byId } from "./dom.js";
import { whenFree } from "./press.js";

const STALE_MS = 1000;
const REOPEN_MS = 1000;

/**
 * @typedef {{ stage: string, text: Record<string, string>, flag: Record<string, boolean>,
 *   geo: Record<string, Record<string, string | number>>, html: Record<string, string>,
 *   now: Record<string, number | null> }} Live
 */

/** @param {string} name */
const marked = (name) => {
  /** @type {Map<string, HTMLElement[]>} */
  const found = new Map();
  for (const element of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(`[data-${name}]`))) {
    const key = element.dataset[name] ?? "";
    found.set(key, [...(found.get(key) || []), element]);
  }
  return found;
};
const texts = marked("text"), shows = marked("show"), shapes = marked("geo"), parts = marked("html");
const stale = byId("stale"), staleSeconds = byId("stale-s");
/** @type {((live: Live) => void)[]} */
const listeners = [];
/** @typedef {"text" | "flag" | "geo" | "html"} Kind */
/** @type {Record<Kind, Record<string, unknown>>} */
const before = { text: {}, flag: {}, geo: {}, html: {} };
/** @type {EventSource | null} */
let source = null;
let heard = performance.now(), reopening = 0, speaker = "";

export const isStale = () => performance.now() - heard > STALE_MS;
/** @param {(live: Live) => void} listener */
export const onLive = (listener) => listeners.push(listener);

/** @template T @param {Kind} kind @param {Record<string, T>} values @param {(name: string, value: T) => void} apply */
function changed(kind, values, apply) {
  for (const [name, value] of Object.entries(values)) {
    const key = kind === "geo" ? JSON.stringify(value) : value;
    if (before[kind][name] === key) continue;
    before[kind][name] = key;
    apply(name, value);
  }
}

/** @param {HTMLElement} element @param {string} html */
function setPart(element, html) {
  const focused = element.contains(document.activeElement) ? document.activeElement?.id : "";
  element.innerHTML = html;
  if (focused) document.getElementById(focused)?.focus();
}

/** @param {Live} live */
function apply(live) {
  document.body.dataset.stage = live.stage;
  changed("text", live.text, (name, value) => {
    for (const element of texts.get(name) || []) {
      element.textContent = value;
      if ("len" in element.dataset) element.dataset.len = String(value.length);
    }
    if (name === "verdict.tone") {
      const boxes = /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".verdict"));
      for (const box of boxes) box.dataset.tone = value;
    }
  });
  changed("geo", live.geo, (name, attributes) => {
    for (const element of shapes.get(name) || []) {
      for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
    }
  });
  changed("html", live.html, (name, value) => { for (const element of parts.get(name) || []) whenFree(element, () => setPart(element, value)); });
  changed("flag", live.flag, (name, value) => {
    document.body.classList.toggle(`is-${name}`, value);
    for (const element of shows.get(name) || []) element.hidden = !value;
  });
  for (const listener of listeners) listener(live);
}

/** Once nothing is typed or pressed; a browser keeps what stands in other fields. */
function renew() {
  const at = document.activeElement;
  if (at instanceof HTMLInputElement || at instanceof HTMLTextAreaElement) at.addEventListener("blur", renew, { once: true });
  else whenFree(document.body, () => location.reload());
}

function open() {
  if (source || document.hidden) return;
  source = new EventSource("/live");
  source.addEventListener("view", (event) => {
    heard = performance.now();
    apply(JSON.parse(event.data));
    watch();
  });
  // Begun again by an update or in another language, it sends what this page has no place for.
  source.addEventListener("station", (event) => {
    if (speaker && event.data !== speaker) renew();
    speaker ||= event.data;
  });
  source.addEventListener("error", () => {
    // A lost connection is tried again by the browser; a refused one is not.
    if (source && source.readyState === EventSource.CLOSED) {
      close();
      clearTimeout(reopening);
      reopening = setTimeout(open, REOPEN_MS);
    }
  });
}

function close() {
  if (source) source.close();
  source = null;
}

function watch() {
  const late = isStale();
  stale.hidden = !late;
  document.body.classList.toggle("is-stale", late);
  if (late) staleSeconds.textContent = String(Math.round((performance.now() - heard) / 1000));
}

// A browser keeps six connections to one station at most: a page that nobody looks at gives its own back.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) close();
  else open();
});
addEventListener("pagehide", close);
addEventListener("pageshow", open);
setInterval(watch, 200);
open();
