// @ts-check
// A job over time, zoomable. The station thins what it sends and keeps every peak; a closer look asks for it again.
import { byId } from "./dom.js";

const PANELS = [
  { title: "Pan", height: 210, left: ["pan"], right: [], unit: "kg" },
  { title: "Metered", height: 210, left: ["metered"], right: ["flow"], unit: "L" },
  { title: "Temperature", height: 150, left: ["fluid_drained_c", "fluid_supply_c", "air_c"], right: [], unit: "°C" },
];
/** @type {Record<string, [string, string, number[]]>} name, colour variable, dash */
const LOOKS = {
  pan: ["Pan, kg", "--deep", []], metered: ["Metered, L", "--fluid", []], flow: ["Flow, L/min", "--soft", [5, 4]],
  fluid_drained_c: ["Drained fluid, °C", "--grave", []], fluid_supply_c: ["Supply, °C", "--fluid", []],
  air_c: ["Air, °C", "--soft", [5, 4]],
};

/** @typedef {{ name: string, unit: string, t_s: number[], values: number[], exact: boolean }} Trace */
/** @typedef {{ name: string, from_s: number, to_s: number }} Span */
/** @typedef {{ from_s: number, to_s: number, whole_s: number, traces: Trace[], stages: Span[], pump: Span[] }} Curve */
/** @typedef {{ expected_l: number, tolerance_minus_l: number, tolerance_plus_l: number, filled_l: number | null,
 *   filled_u95_l: number | null, metered_l: number | null, steps: [number, string, number][],
 *   fan: { from_s: number, to_s: number, from_kg: number, ahead_kg: number, u95_kg: number } | null }} Known */

const box = byId("curve"), plots = byId("curve-plots"), told = byId("curve-say");
/** @type {any} */
const Plot = /** @type {any} */ (window).uPlot;
/** @type {any[]} */
let shown = [];
let asked = 0;
/** @param {string} name */
const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** @param {number | null} from @param {number | null} to */
async function look(from, to) {
  const mine = ++asked;
  const window_ = from === null || to === null ? "" : `&from_s=${from.toFixed(2)}&to_s=${to.toFixed(2)}`;
  const points = Math.max(200, Math.min(1500, plots.clientWidth || 800));
  const reply = await fetch(`${box.dataset.address}?points=${points}${window_}`);
  if (!reply.ok || mine !== asked) return;
  const { curve, known } = await reply.json();
  if (!curve || !curve.traces.length) return;
  box.hidden = false;
  draw(curve, known);
}

/** One table for traces with times of their own. @param {Trace[]} traces */
const joined = (traces) => Plot.join(traces.map((trace) => [trace.t_s.map((t) => t / 60), trace.values]));

/** @param {Curve} curve @param {Known} known */
function draw(curve, known) {
  for (const plot of shown) plot.destroy();
  shown = [];
  plots.replaceChildren();
  const sync = Plot.sync("job");
  for (const panel of PANELS) {
    const traces = /** @type {Trace[]} */ (
      [...panel.left, ...panel.right].map((name) => curve.traces.find((trace) => trace.name === name)).filter(Boolean));
    if (!traces.length) continue;
    const gaps = joined(traces);
    const series = traces.map((trace) => {
      const [label, ink, dash] = LOOKS[trace.name];
      return {
        label, stroke: colour(ink), width: 2, dash, spanGaps: true, points: { show: false },
        scale: panel.right.includes(trace.name) ? "right" : "y",
        value: (/** @type {any} */ _, /** @type {number | null} */ v) => (v == null ? "–" : v.toFixed(3)),
      };
    });
    const ink = colour("--ink"), line = { stroke: colour("--line"), width: 1 };
    const axes = [
      { stroke: ink, grid: line, ticks: line, values: (/** @type {any} */ _, /** @type {number[]} */ at) => at.map((m) => `${+m.toFixed(2)} min`) },
      { stroke: ink, grid: line, ticks: line, label: panel.unit, size: 56, labelSize: 18, scale: "y" },
    ];
    if (traces.some((trace) => panel.right.includes(trace.name))) {
      axes.push(/** @type {any} */ ({ stroke: ink, side: 1, scale: "right", label: "L/min", size: 50, labelSize: 18, grid: { show: false }, ticks: line }));
    }
    const plot = new Plot({
      padding: [8, panel.right.length ? 0 : 50, 0, 0],
      width: plots.clientWidth - 16, height: panel.height,
      cursor: { sync: { key: sync.key }, drag: { x: true, y: false, setScale: false } },
      scales: { x: { time: false, range: () => [curve.from_s / 60, curve.to_s / 60] }, y: range(panel.title, curve, known), right: { range: (/** @type {any} */ _, /** @type {number} */ low, /** @type {number} */ high) => [Math.min(0, low), high || 1] } },
      axes, series: [{ label: "Minutes", value: (/** @type {any} */ _, /** @type {number | null} */ v) => (v == null ? "–" : v.toFixed(2)) }, ...series],
      hooks: {
        drawClear: [(/** @type {any} */ u) => grounds(u, panel.title, curve, known)],
        setSelect: [(/** @type {any} */ u) => {
          if (u.select.width < 8) return;
          look(u.posToVal(u.select.left, "x") * 60, u.posToVal(u.select.left + u.select.width, "x") * 60);
        }],
      },
    }, gaps, plots);
    plot.root.setAttribute("role", "img");
    plot.root.setAttribute("aria-label", `${panel.title} over time, in ${panel.unit}; the numbers stand in the tables and in the recording.`);
    sync.sub(plot);
    shown.push(plot);
  }
  const exact = curve.traces.every((trace) => trace.exact);
  const minutes = (/** @type {number} */ s) => (s / 60).toFixed(1);
  told.textContent = `Minutes ${minutes(curve.from_s)} to ${minutes(curve.to_s)}: ${exact ? "every sample" : "thinned, no peak left out"}.`;
}

// The tolerance stays in sight, however little was filled.
/** @param {string} title @param {Curve} curve @param {Known} known */
const range = (title, curve, known) => ({
  range: (/** @type {any} */ _, /** @type {number} */ low, /** @type {number} */ high) => {
    if (title === "Metered" && curve.to_s - curve.from_s > 0.9 * curve.whole_s) {
      return [0, Math.max(high, known.expected_l + 2 * known.tolerance_plus_l)];
    }
    const room = 0.06 * (high - low) || 0.05;
    return [low - room, high + room];
  },
});

/** What lies behind the lines. @param {any} u @param {string} title @param {Curve} curve @param {Known} known */
function grounds(u, title, curve, known) {
  const { ctx } = u, { left, top, width, height } = u.bbox;
  const x = (/** @type {number} */ s) => u.valToPos(s / 60, "x", true), y = (/** @type {number} */ v) => u.valToPos(v, "y", true);
  ctx.save();
  ctx.beginPath();
  ctx.rect(left, top, width, height);
  ctx.clip();
  ctx.fillStyle = "rgb(18 60 70 / .10)";
  for (const span of curve.pump) ctx.fillRect(x(span.from_s), top, Math.max(1, x(span.to_s) - x(span.from_s)), height);
  if (title === "Metered") {
    const { expected_l: expected, tolerance_minus_l: minus, tolerance_plus_l: plus } = known;
    ctx.fillStyle = "rgb(23 96 58 / .15)";
    ctx.fillRect(left, y(expected + plus), width, y(expected - minus) - y(expected + plus));
    level(ctx, left, width, y(expected), colour("--ink"), [8, 5]);
    if (known.filled_l !== null) {
      const u95 = known.filled_u95_l ?? 0;
      ctx.fillStyle = "rgb(216 150 43 / .35)";
      ctx.fillRect(left, y(known.filled_l + u95), width, Math.max(1, y(known.filled_l - u95) - y(known.filled_l + u95)));
    }
  }
  if (title === "Pan") {
    const fan = known.fan;
    if (fan) {
      ctx.fillStyle = "rgb(76 89 102 / .30)";
      ctx.beginPath();
      ctx.moveTo(x(fan.from_s), y(fan.from_kg));
      ctx.lineTo(x(fan.to_s), y(fan.from_kg + fan.ahead_kg + fan.u95_kg));
      ctx.lineTo(x(fan.to_s), y(fan.from_kg + Math.max(0, fan.ahead_kg - fan.u95_kg)));
      ctx.fill();
    }
    ctx.fillStyle = colour("--grave");
    ctx.font = `${14 * devicePixelRatio}px sans-serif`;
    for (const [t, kind] of known.steps) if (kind !== "gulp") ctx.fillText("◆", x(t) - 6, top + 16 * devicePixelRatio);
  }
  ctx.fillStyle = colour("--soft");
  ctx.font = `600 ${12 * devicePixelRatio}px sans-serif`;
  for (const span of curve.stages) {
    const at = x(span.from_s);
    upright(ctx, at, top, height, colour("--line"));
    if (title === "Pan" && x(span.to_s) - at > 40 * devicePixelRatio) ctx.fillText(span.name, Math.max(at, left) + 4, top + height - 6);
  }
  ctx.restore();
}

/** @param {CanvasRenderingContext2D} ctx @param {number} left @param {number} width @param {number} y @param {string} ink @param {number[]} dash */
function level(ctx, left, width, y, ink, dash) {
  ctx.strokeStyle = ink;
  ctx.lineWidth = 2;
  ctx.setLineDash(dash);
  ctx.beginPath();
  ctx.moveTo(left, y);
  ctx.lineTo(left + width, y);
  ctx.stroke();
  ctx.setLineDash([]);
}

/** @param {CanvasRenderingContext2D} ctx @param {number} x @param {number} top @param {number} height @param {string} ink */
function upright(ctx, x, top, height, ink) {
  ctx.strokeStyle = ink;
  ctx.lineWidth = 1;
  ctx.beginPath();
  ctx.moveTo(x, top);
  ctx.lineTo(x, top + height);
  ctx.stroke();
}

byId("curve-whole").addEventListener("click", () => look(null, null));
let settling = 0;
addEventListener("resize", () => {
  clearTimeout(settling);
  settling = setTimeout(() => look(null, null), 300);
});
addEventListener("load", () => look(null, null));
if (document.readyState === "complete") look(null, null);
