// @ts-check
// A job over time, zoomable. The station thins what it sends and keeps every peak; a closer look asks for it again.
import { draw } from "./chart.js";
import { byId } from "./dom.js";
import { _, figure } from "./words.js";

const box = byId("curve"), plots = byId("curve-plots"), told = byId("curve-say"), drawn = byId("curve-drawn");
let asked = 0;

/** @param {number | null} from @param {number | null} to */
async function look(from, to) {
  const mine = ++asked;
  const window_ = from === null || to === null ? "" : `&from_s=${from.toFixed(2)}&to_s=${to.toFixed(2)}`;
  const points = Math.max(200, Math.min(1500, plots.clientWidth || 800));
  const reply = await fetch(`${box.dataset.address}?points=${points}${window_}`);
  if (!reply.ok || mine !== asked) return;
  const { curve, known } = await reply.json();
  if (!curve || !curve.traces.length) {
    told.textContent = box.dataset.none ?? "";
    return;
  }
  drawn.hidden = false;
  draw(plots, curve, known, { zoom: look });
  const exact = curve.traces.every((/** @type {{ exact: boolean }} */ trace) => trace.exact);
  const minutes = (/** @type {number} */ s) => figure(s / 60, 1);
  told.textContent = exact
    ? _("Minutes {from} to {to}: every sample.", { from: minutes(curve.from_s), to: minutes(curve.to_s) })
    : _("Minutes {from} to {to}: thinned, no peak left out.", { from: minutes(curve.from_s), to: minutes(curve.to_s) });
}

byId("curve-whole").addEventListener("click", () => look(null, null));
let settling = 0;
addEventListener("resize", () => {
  clearTimeout(settling);
  settling = setTimeout(() => look(null, null), 300);
});
addEventListener("load", () => look(null, null));
if (document.readyState === "complete") look(null, null);
