// @ts-check
// The job in the bay as a curve that grows: what was so far is asked for once, and whenever a stage begins; from there the
// stream adds to it.
import { clear, draw, grow } from "./chart.js";
import { byId } from "./dom.js";
import { onLive } from "./live.js";

/** @typedef {import("./chart.js").Curve} Curve */
/** @typedef {import("./chart.js").Known} Known */
const EVERY_S = 1, MOST = 3000, AHEAD_S = 300, FAN_S = 1800, AGAIN_MS = 5000;
/** What matters in a stage; anything else shows the pan. @type {Record<string, string[]>} */
const PANELS = { fill: ["Metered"], settle: ["Metered"] };
const box = byId("live-curve"), plots = byId("live-curve-plots");
/** @type {Curve | null} */
let curve = null;
/** @type {Known | null} */
let known = null;
let stage = "", asked = 0, askedAt = 0, drawn = "";

async function ask() {
  const mine = ++asked;
  askedAt = performance.now();
  curve = known = null;
  clear(plots);
  drawn = "";
  const reply = await fetch("/live/curve.json?points=400").catch(() => null);
  if (!reply?.ok || mine !== asked) return;
  ({ curve, known } = await reply.json());
}

/** @param {string} name @param {number} t_s @param {number | null | undefined} value */
function add(name, t_s, value) {
  if (value === null || value === undefined || !curve) return;
  let trace = curve.traces.find((it) => it.name === name);
  if (!trace) curve.traces.push(trace = { name, unit: "", t_s: [], values: [], exact: false });
  if (t_s - (trace.t_s.at(-1) ?? -EVERY_S) < EVERY_S) return;
  trace.t_s.push(t_s);
  trace.values.push(value);
  if (trace.t_s.length <= MOST) return;
  // Every other of what is old, so that an hour and a minute are both in sight.
  const old = (/** @type {unknown} */ _, /** @type {number} */ n) => n % 2 === 0 || n > MOST / 2;
  trace.t_s = trace.t_s.filter(old);
  trace.values = trace.values.filter(old);
}

/** @param {Record<string, number | null>} now @param {number} t_s */
function fan(now, t_s) {
  if (!curve || !known || now.to_come_l === null || now.pan_kg === null) return;
  const kg = known.drained_kg_per_l;
  known.fan = { from_s: t_s, to_s: t_s + FAN_S, from_kg: now.pan_kg, ahead_kg: now.to_come_l * kg, u95_kg: (now.to_come_u95_l ?? 0) * kg };
  curve.to_s = t_s + AHEAD_S;
}

/** Of a fill only the fill is in sight, up to its target. @param {number} t_s */
function filling(t_s) {
  if (!curve) return;
  curve.from_s = curve.stages.find((part) => part.name === "fill")?.from_s ?? curve.from_s;
  curve.whole_s = t_s - curve.from_s;
}

/** @param {import("./live.js").Live} live */
function follow(live) {
  if (live.stage !== stage) {
    stage = live.stage;
    asked++;
    curve = null;
    if (live.flag.job_open) ask();
  } else if (live.flag.job_open && !curve && performance.now() - askedAt > AGAIN_MS) ask();
  if (!curve || !known || live.now.t_s === null) return;
  const t_s = live.now.t_s - known.start_s;
  add("pan", t_s, live.now.pan_kg);
  add("pan_b", t_s, live.now.pan_b_kg);
  add("metered", t_s, live.now.metered_l);
  if (live.now.metered_l !== null) add("flow", t_s, live.now.flow_l_min);
  curve.whole_s = curve.to_s = t_s;
  const last = curve.pump.at(-1);
  if (live.now.pump_on && (!last || last.to_s < t_s - 2 * EVERY_S)) curve.pump.push({ name: "pump", from_s: t_s, to_s: t_s });
  else if (live.now.pump_on && last) last.to_s = t_s;
  const part = curve.stages.at(-1);
  if (part) part.to_s = t_s;
  if (PANELS[stage]) filling(t_s);
  fan(live.now, t_s);
}

function show() {
  if (!curve || !known || box.hidden || document.hidden || !plots.clientWidth) return;
  const panels = PANELS[stage] ?? ["Pan"], style = getComputedStyle(box);
  const height = Number(style.getPropertyValue("--curve-px")), font = Number(style.getPropertyValue("--curve-font"));
  const now = [...panels, ...curve.traces.map((trace) => trace.name), plots.clientWidth, height].join();
  if (now === drawn) return grow(plots);
  drawn = now;
  draw(plots, curve, known, { panels, height, font });
}

export function liveCurve() {
  onLive(follow);
  setInterval(show, 1000);
}
