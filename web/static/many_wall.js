// @ts-check
// Puts what each bay shows into its tile. The browser opens a lost stream again by itself; a refused one is opened again here.
import { byId } from "./dom.js";
import { _ } from "./words.js";

const STALE_MS = 3000, REOPEN_MS = 1000;
const wall = byId("bays"), stale = byId("stale");
let heard = performance.now();

/** @typedef {{ shop: string, bay: string, page: string, live: boolean, stage: string } & Record<string, string | boolean | number>} BayNow */

/** @param {BayNow[]} bays */
function show(bays) {
  const tiles = [...wall.querySelectorAll("[data-key]")];
  const known = new Set(tiles.map((tile) => tile instanceof HTMLElement ? tile.dataset.key : ""));
  const others = bays.length !== tiles.length || bays.some((bay) => !known.has(`${bay.shop}/${bay.bay}`));
  if (others) return location.reload();
  for (const bay of bays) {
    const tile = tiles.find((one) => one instanceof HTMLElement && one.dataset.key === `${bay.shop}/${bay.bay}`);
    if (!(tile instanceof HTMLElement)) continue;
    tile.dataset.live = bay.live ? "yes" : "no";
    tile.dataset.verdict = String(bay.tone);
    for (const part of tile.querySelectorAll("[data-part]")) {
      if (!(part instanceof HTMLElement)) continue;
      const name = part.dataset.part ?? "";
      const text = name === "stage" && !bay.live ? _("not heard") : String(bay[name] ?? "");
      if (part.textContent !== text) part.textContent = text;
    }
  }
}

function open() {
  const source = new EventSource("/wall/live");
  source.addEventListener("bays", (event) => {
    heard = performance.now();
    show(JSON.parse(event.data));
  });
  source.addEventListener("error", async () => {
    if (source.readyState !== EventSource.CLOSED) return;
    const reply = await fetch("/bays.json").catch(() => null);
    if (reply?.status === 401) location.reload();  // signed out: it leads to the page Sign in, and back here
    else setTimeout(open, REOPEN_MS);
  });
}

setInterval(() => { stale.hidden = performance.now() - heard < STALE_MS; }, 500);
open();
