// @ts-check
// The first look around a simulated depot: which of its steps is shown, kept on the device alone.

import { byId } from "./dom.js";
import { _ } from "./words.js";

const KEY = "tallypan.guide";
const AWAY = "away";
const guide = byId("guide");
const panel = /** @type {HTMLDetailsElement} */ (guide.querySelector("details"));
const steps = /** @type {HTMLElement[]} */ ([...guide.querySelectorAll("section")]);
const go = /** @type {HTMLAnchorElement} */ (byId("guide-go"));

const kept = () => localStorage.getItem(KEY) ?? steps[0].dataset.name ?? "";
/** @param {string | undefined} name */
const keep = (name) => localStorage.setItem(KEY, name ?? AWAY);

/** @returns {number} */
function here() {
  const at = steps.findIndex((step) => step.dataset.name === kept());
  if (at < 0 || steps[at].dataset.path === location.pathname) return at;
  // Whoever went on by the menu has gone on.
  return Math.max(at, steps.findIndex((step) => step.dataset.path === location.pathname));
}

function show() {
  const at = here();
  guide.hidden = at < 0;
  if (at < 0) return;
  keep(steps[at].dataset.name);
  steps.forEach((step, n) => { step.hidden = n !== at; });
  byId("guide-count").textContent = _("{n} of {all}", { n: at + 1, all: steps.length });
  byId("guide-back").hidden = at === 0;
  const next = steps[at + 1];
  go.hidden = !next;
  if (next) {
    go.href = next.dataset.path ?? "/";
    go.textContent = _("Next: {name}", { name: next.dataset.short ?? "" });
  }
}

/** Show a step, on its own page. @param {HTMLElement} step */
function turn(step) {
  keep(step.dataset.name);
  if (step.dataset.path !== location.pathname) {
    location.assign(step.dataset.path ?? "/");
    return;
  }
  show();
  /** @type {HTMLElement | null} */ (step.querySelector(".title"))?.focus();
}

go.addEventListener("click", (event) => {
  event.preventDefault();
  turn(steps[here() + 1]);
});
byId("guide-back").addEventListener("click", () => turn(steps[here() - 1]));
byId("guide-away").addEventListener("click", () => {
  keep(AWAY);
  show();
});
byId("guide-again").addEventListener("click", () => {
  panel.open = true;
  turn(steps[0]);
});
panel.querySelector("summary")?.addEventListener("click", () => localStorage.setItem(`${KEY}.folded`, panel.open ? "yes" : ""));
// While a job is under way its own page is in the foreground.
const stage = document.body.dataset.stage ?? "idle";
panel.open = localStorage.getItem(`${KEY}.folded`) !== "yes" && (stage === "idle" || stage === "closed");
show();
