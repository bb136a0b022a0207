// @ts-check
// A job over time, to be moved along and looked at closely. The station thins what it sends and keeps every peak. More than is
// in sight is held, so that the picture follows a hand at once while the station is asked for what comes next.
import { draw, grow, slide, span } from "./chart.js";
import { byId } from "./dom.js";
import { ALONG, CLOSER, hand } from "./hand.js";
import { _, figure } from "./words.js";

/** Closest look; how many widths are held on either side; part of a width that may be left before more is asked for. */
const CLOSEST_S = 2, AROUND = 1, LEFT = 0.5;
const MOST = 5000, REST_MS = 250;
const box = byId("curve"), plots = byId("curve-plots"), told = byId("curve-say"), drawn = byId("curve-drawn");
/** @type {import("./chart.js").Curve | null} */
let curve = null;
/** @type {import("./chart.js").Known} */
let known;
/** What is held, and in how wide a look it was asked for. */
let held = { from_s: 0, to_s: 0, look_s: 0 };
let busy = false, frame = 0, rest = 0;

/** Have the station's samples around what is in sight. */
async function ask() {
  if (busy) return;
  busy = true;
  const look_s = curve ? curve.to_s - curve.from_s : 0;
  const from_s = curve ? Math.max(0, curve.from_s - AROUND * look_s) : 0;
  const to_s = curve ? Math.min(curve.whole_s, curve.to_s + AROUND * look_s) : 0;
  const wide = Math.max(200, Math.min(1500, plots.clientWidth || 800)) * (curve ? (to_s - from_s) / look_s : 1);
  const window_ = curve ? `&from_s=${from_s.toFixed(2)}&to_s=${to_s.toFixed(2)}` : "";
  const reply = await fetch(`${box.dataset.address}?points=${Math.min(MOST, Math.round(wide))}${window_}`).catch(() => null);
  const found = reply?.ok ? await reply.json() : null;
  busy = false;
  if (!found) return;
  if (!found.curve?.traces.length) {
    told.textContent = box.dataset.none ?? "";
    return;
  }
  if (curve) {
    held = { from_s, to_s, look_s };
    curve.traces = found.curve.traces;
    grow(plots);
    lacking();
  } else {
    ({ curve, known } = found);
    held = { from_s: 0, to_s: found.curve.whole_s, look_s: found.curve.whole_s };
    drawn.hidden = false;
    draw(plots, found.curve, known);
  }
  say();
}

function lacking() {
  if (!curve) return;
  const look_s = curve.to_s - curve.from_s, ratio = look_s / held.look_s;
  const exact = curve.traces.every((trace) => trace.exact);
  const before = held.from_s > 0 && curve.from_s - held.from_s < LEFT * look_s;
  const behind = held.to_s < curve.whole_s && held.to_s - curve.to_s < LEFT * look_s;
  if (before || behind || ratio > 1.5 || (ratio < 0.7 && !exact)) ask();
}

/** What is in sight, once it rests: said at every frame it would never be heard to its end. */
function say() {
  clearTimeout(rest);
  rest = setTimeout(() => {
    if (!curve) return;
    const blanks = { from: figure(curve.from_s / 60, 1), to: figure(curve.to_s / 60, 1) };
    told.textContent = curve.traces.every((trace) => trace.exact)
      ? _("Minutes {from} to {to}: every sample.", blanks)
      : _("Minutes {from} to {to}: thinned, no peak left out.", blanks);
  }, REST_MS);
}

/** Have a window in sight, as near as the job has it. @param {number} from_s @param {number} look_s */
function look(from_s, look_s) {
  if (!curve) return;
  const wide_s = Math.min(curve.whole_s, Math.max(CLOSEST_S, look_s));
  curve.from_s = Math.max(0, Math.min(curve.whole_s - wide_s, from_s));
  curve.to_s = curve.from_s + wide_s;
  frame ||= requestAnimationFrame(() => {
    frame = 0;
    slide(plots);
    lacking();
  });
  say();
}

/** @param {(from_s: number, look_s: number, whole_s: number) => [number, number]} by */
const move = (by) => () => curve && look(...by(curve.from_s, curve.to_s - curve.from_s, curve.whole_s));
/** @param {number} by @param {number} at */
const closer = (by, at) => move((from_s, look_s) => {
  const wide_s = Math.max(CLOSEST_S, look_s / by);
  return [from_s + at * (look_s - wide_s), wide_s];
})();
/** @param {number} by */
const along = (by) => move((from_s, look_s) => [from_s + by * look_s, look_s])();
const all = move((from_s, look_s, whole_s) => [0, whole_s]);

hand(plots, ".u-over", {
  along, closer, all,
  whole: () => !curve || curve.to_s - curve.from_s > 0.999 * curve.whole_s,
  span: (from, to) => span(plots, from, to),
  choose: (from, to) => move((from_s, look_s) => [from_s + from * look_s, (to - from) * look_s])(),
});
byId("curve-whole").addEventListener("click", all);
byId("curve-closer").addEventListener("click", () => closer(CLOSER, 0.5));
byId("curve-wider").addEventListener("click", () => closer(1 / CLOSER, 0.5));
byId("curve-earlier").addEventListener("click", () => along(-2 * ALONG));
byId("curve-later").addEventListener("click", () => along(2 * ALONG));

let settling = 0;
addEventListener("resize", () => {
  clearTimeout(settling);
  settling = setTimeout(() => {
    if (!curve) return;
    draw(plots, curve, known);
    ask();
  }, 300);
});
addEventListener("load", ask);
if (document.readyState === "complete") ask();
