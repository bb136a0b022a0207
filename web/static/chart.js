// @ts-check
// The chart of a job over time: stacked panels that share one time axis. The job's page moves it, bay and wall let it grow.
import { N_, _, figure, plain } from "./words.js";

const PANELS = [
  { title: N_("Pan"), height: 210, left: ["pan", "pan_b"], right: [], unit: "kg" },
  { title: N_("Metered"), height: 210, left: ["metered"], right: ["flow"], unit: "L" },
  { title: N_("Temperature"), height: 150, left: ["fluid_drained_c", "fluid_supply_c", "air_c"], right: [], unit: "°C" },
];
/** @type {Record<string, [string, string, number[]]>} name, colour variable, dash */
const LOOKS = {
  pan: [N_("Pan, kg"), "--deep", []], pan_b: [N_("Second pan, kg"), "--soft", [5, 4]], metered: [N_("Metered, L"), "--fluid", []], flow: [N_("Flow, L/min"), "--soft", [5, 4]],
  fluid_drained_c: [N_("Drained fluid, °C"), "--grave", []], fluid_supply_c: [N_("Supply, °C"), "--fluid", []],
  air_c: [N_("Air, °C"), "--soft", [5, 4]],
};

/** @type {Record<string, string>} */
const STAGES = {
  plan: N_("plan"), drain: N_("drain"), drip: N_("drip"), reseal: N_("reseal"), cure: N_("cure"), wait: N_("wait"), fill: N_("fill"), settle: N_("settle"), "leak watch": N_("leak watch"),
};

/** @typedef {{ name: string, unit: string, t_s: number[], values: number[], exact: boolean }} Trace */
/** @typedef {{ name: string, from_s: number, to_s: number }} Span */
/** @typedef {{ from_s: number, to_s: number, whole_s: number, traces: Trace[], stages: Span[], pump: Span[] }} Curve */
/** @typedef {{ expected_l: number, tolerance_minus_l: number, tolerance_plus_l: number, filled_l: number | null,
 *   filled_u95_l: number | null, metered_l: number | null, steps: [number, string, number][],
 *   start_s: number, drained_kg_per_l: number,
 *   fan: { from_s: number, to_s: number, from_kg: number, ahead_kg: number, u95_kg: number } | null }} Known */

/** @type {any} */
const Plot = /** @type {any} */ (window).uPlot;
/** @typedef {{ plot: any, curve: Curve, names: string[] }} Shown */
/** What is drawn where, so that it can grow, be moved and be taken away. @type {WeakMap<HTMLElement, Shown[]>} */
const shown = new WeakMap();
/** Asked of the page once and not at every frame, until it turns dark or light. @type {Map<string, string>} */
const inks = new Map();
let light = "";
/** @param {string} name */
function colour(name) {
  const root = document.documentElement;
  if (root.className !== light) inks.clear();
  light = root.className;
  const found = inks.get(name) ?? getComputedStyle(root).getPropertyValue(name).trim();
  inks.set(name, found);
  return found;
}

/** One table for traces with times of their own. @param {Curve} curve @param {string[]} names */
const joined = (curve, names) => Plot.join(names.map((name) => {
  const trace = curve.traces.find((it) => it.name === name);
  return [trace?.t_s.map((t) => t / 60) ?? [], trace?.values ?? []];
}));

/**
 * Draw anew into an element whatever there is for the panels that are named.
 * @param {HTMLElement} plots @param {Curve} curve @param {Known} known
 * @param {{ panels?: string[], height?: number, font?: number }} [how]
 */
export function draw(plots, curve, known, how = {}) {
  clear(plots);
  /** @type {Shown[]} */
  const mine = [];
  shown.set(plots, mine);
  const sync = Plot.sync("job");
  for (const panel of PANELS.filter((it) => (how.panels ?? [it.title]).includes(it.title))) {
    const names = [...panel.left, ...panel.right].filter((name) => curve.traces.some((trace) => trace.name === name));
    if (!names.length) continue;
    const series = names.map((name) => {
      const [label, ink, dash] = LOOKS[name];
      return {
        label: _(label), stroke: () => colour(ink), width: 2, dash, spanGaps: true, points: { show: false },
        scale: panel.right.includes(name) ? "right" : "y",
        value: (/** @type {any} */ u, /** @type {number | null} */ v) => (v == null ? "–" : figure(v, 3)),
      };
    });
    const ink = () => colour("--ink"), line = { stroke: () => colour("--line"), width: 1 };
    const font = `${how.font ?? 12}px system-ui, sans-serif`, size = 12 + 3.6 * (how.font ?? 12);
    const axes = [
      { font, size: 20 + 2 * (how.font ?? 12), space: 6 * (how.font ?? 12), stroke: ink, grid: line, ticks: line, values: (/** @type {any} */ u, /** @type {number[]} */ at) => at.map((m) => `${plain(m)} min`) },
      { font, labelFont: font, stroke: ink, grid: line, ticks: line, values: (/** @type {any} */ u, /** @type {number[]} */ at) => at.map(plain), label: panel.unit, size, labelSize: 6 + (how.font ?? 12), scale: "y" },
    ];
    if (names.some((name) => panel.right.includes(name))) {
      axes.push(/** @type {any} */ ({ font, labelFont: font, stroke: ink, side: 1, scale: "right", values: (/** @type {any} */ u, /** @type {number[]} */ at) => at.map(plain), label: "L/min", size, labelSize: 6 + (how.font ?? 12), grid: { show: false }, ticks: line }));
    }
    const plot = new Plot({
      padding: [8, panel.right.length ? 0 : 50, 0, 0],
      width: plots.clientWidth - 16, height: how.height ?? panel.height,
      cursor: { sync: { key: sync.key }, drag: { x: false, y: false, setScale: false } },
      scales: { x: { time: false, range: () => [curve.from_s / 60, curve.to_s / 60] }, y: range(panel.title, curve, known), right: { range: (/** @type {any} */ _, /** @type {number} */ low, /** @type {number} */ high) => [Math.min(0, low), high || 1] } },
      axes, series: [{ label: _("Minutes"), value: (/** @type {any} */ u, /** @type {number | null} */ v) => (v == null ? "–" : figure(v, 2)) }, ...series],
      hooks: {
        drawClear: [(/** @type {any} */ u) => grounds(u, panel.title, curve, known)],
      },
    }, joined(curve, names), plots);
    plot.root.setAttribute("role", "img");
    plot.root.setAttribute("aria-label", _("{what} over time, in {unit}; the numbers stand in the tables and in the recording.", { what: _(panel.title), unit: panel.unit }));
    sync.sub(plot);
    mine.push({ plot, curve, names });
  }
}

/** Show what has come to the curve's traces since they were drawn. @param {HTMLElement} plots */
export function grow(plots) {
  for (const { plot, curve, names } of shown.get(plots) ?? []) plot.setData(joined(curve, names));
}

/** Show what of the curve is to be in sight now. @param {HTMLElement} plots */
export function slide(plots) {
  for (const { plot, curve } of shown.get(plots) ?? []) plot.setScale("x", { min: curve.from_s / 60, max: curve.to_s / 60 });
}

/** Show what is about to be looked at, as fractions of the width, and no cross-hairs, whose legend would be written anew at
 * every frame. @param {HTMLElement} plots @param {number} from @param {number} to */
export function span(plots, from, to) {
  for (const { plot } of shown.get(plots) ?? []) {
    const { clientWidth: width, clientHeight: height } = plot.over;
    plot.setCursor({ left: -10, top: -10 });
    plot.setSelect({ left: from * width, width: (to - from) * width, top: 0, height }, false);
  }
}

/** @param {HTMLElement} plots */
export function clear(plots) {
  for (const { plot } of shown.get(plots) ?? []) plot.destroy();
  shown.delete(plots);
  plots.replaceChildren();
}

// The tolerance stays in sight, however little was filled.
/** @param {string} title @param {Curve} curve @param {Known} known */
const range = (title, curve, known) => ({
  range: (/** @type {any} */ _, /** @type {number | null} */ low, /** @type {number | null} */ high) => {
    const whole = curve.to_s - curve.from_s > 0.9 * curve.whole_s;
    if (title === "Metered" && (whole || high === null)) return [0, Math.max(high ?? 0, known.expected_l + 2 * known.tolerance_plus_l)];
    if (low === null || high === null) return [0, 1];
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
    if (title === "Pan" && x(span.to_s) - at > 40 * devicePixelRatio) ctx.fillText(_(STAGES[span.name] ?? span.name), Math.max(at, left) + 4, top + height - 6);
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
