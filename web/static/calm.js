// @ts-check
// Whether the pan is at rest, by the station's own measure: the scatter of its readings over the last seconds. Only a
// hint, so that nobody presses in vain; the station judges each reading anew.
import { byId } from "./dom.js";
import { _ } from "./words.js";

const EVERY_MS = 200;
const FEWEST = 3;
const line = byId("calm");
/** @typedef {{ t_s: number, pan_g: number | null, pan_b: { reads_g: number | null } | null }} View */
/** @type {View[]} */
let seen = [];

/** @param {string} word @param {string} tone */
function tell(word, tone) {
  if (line.textContent === word) return;
  line.textContent = word;
  line.dataset.tone = tone;
}

/** @param {HTMLElement} desk */
function judge(desk) {
  const last = seen[seen.length - 1];
  const windowS = Number(desk.dataset.windowS);
  seen = seen.filter((view) => view.t_s > last.t_s - windowS);
  if (last.pan_g === null || last.pan_g === undefined) return tell(_("⚠ The pan does not read"), "due");
  const mean = seen.reduce((sum, view) => sum + (view.pan_g ?? 0), 0) / seen.length;
  const scatter = Math.sqrt(seen.reduce((sum, view) => sum + ((view.pan_g ?? 0) - mean) ** 2, 0) / seen.length);
  if (scatter > Number(desk.dataset.noiseG)) return tell(_("◌ Moving"), "due");
  if (seen.length < FEWEST || last.t_s - seen[0].t_s < 0.8 * windowS) return tell(_("◌ Settling"), "due");
  const { emptyG, wantedG } = desk.dataset;
  if (emptyG !== undefined && wantedG !== undefined) {
    const off = Math.abs(mean - Number(emptyG) - Number(wantedG));
    if (off > 20 + 0.1 * Number(wantedG)) return tell(_("⚠ Calm, but this is another load"), "due");
  }
  return tell(`✓ ${desk.dataset.calm}`, "good");
}

async function look() {
  const desk = byId("desk");
  if (desk.dataset.noiseG === undefined || document.hidden) {
    seen = [];
    return tell("", "");
  }
  try {
    const view = await (await fetch("/view.json")).json();
    // Time that has gone back is another clock: the station has started anew.
    if (seen.length && view.t_s < seen[seen.length - 1].t_s) seen = [];
    if (desk.dataset.pan === "b") view.pan_g = view.pan_b?.reads_g ?? null;
    if (!seen.length || view.t_s > seen[seen.length - 1].t_s) seen.push(view);
    judge(desk);
  } catch {
    tell("", "");
  }
}

export function watchCalm() {
  let busy = false;
  setInterval(async () => {
    if (busy) return;
    busy = true;
    await look();
    busy = false;
  }, EVERY_MS);
}
