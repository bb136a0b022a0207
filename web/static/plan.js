// @ts-check
// The plan form: picking a compartment fills in what is listed for it.
import { byId, choice, field as fieldOf, formOf, onSubmit, sender, textOf } from "./dom.js";
import { onLive } from "./live.js";
import { act, send } from "./send.js";
import { _ } from "./words.js";

const form = formOf("plan");
/** @param {string} name */
const field = (name) => fieldOf(form, name);
/** @param {string} name */
const listed = (name) => choice(form, name);
/** What is chosen in a list that offers at least one thing. @param {HTMLSelectElement} select */
const chosen = (select) => /** @type {HTMLOptionElement} */ (select.selectedOptions[0]);

function fits() {
  const wanted = field("grade").value.trim(), picked = listed("fresh_fluid").selectedOptions[0]?.dataset.grade || "";
  const differ = wanted !== "" && wanted !== picked;
  byId("plan-grade").hidden = !differ;
  byId("plan-grade-text").textContent = picked
    ? _("The compartment takes {wanted}, the fresh fluid is {picked}. The vehicle's service manual decides.", { wanted, picked })
    : _("The compartment takes {wanted}, the fresh fluid is of unknown grade. The vehicle's service manual decides.", { wanted });
}

/** @param {string} grade */
function pickFluids(grade) {
  for (const [name, word] of /** @type {[string, string][]} */ ([["drained_fluid", "used"], ["fresh_fluid", "fresh"]])) {
    const options = [...listed(name).options].filter((option) => option.dataset.grade === grade);
    const best = options.find((option) => option.text.includes(word)) || options[0];
    if (best) field(name).value = best.value;
  }
}

function pickCompartment() {
  const option = chosen(listed("compartment")), other = option.dataset.other !== undefined;
  byId("plan-other").hidden = !other;
  byId("plan-plug").textContent = option.dataset.plug ? _("Where it is filled: {place}.", { place: option.dataset.plug }) : "";
  field("grade").toggleAttribute("readonly", !other && !!option.dataset.grade);  // what is listed stands: another fluid goes in with a reason
  if (!other) {
    field("capacity").value = option.dataset.capacity ?? "";
    field("method").value = option.dataset.method ?? "";
    field("grade").value = option.dataset.grade ?? "";
    field("compartment_type").value = option.dataset.type ?? "";
    pickFluids(option.dataset.grade ?? "");
  } else {
    field("capacity").value = "";
    field("grade").value = "";
    field("compartment_type").value = "";
  }
  fits();
  pickContainer();
}

// Only a container that holds the fresh fluid can be what it is drawn from.
function pickContainer() {
  const select = listed("container"), fluid = field("fresh_fluid").value;
  for (const option of select.options) option.hidden = option.disabled = option.value !== "" && option.dataset.fluid !== fluid;
  if (chosen(select).disabled || select.value === "") select.value = [...select.options].find((o) => o.value && !o.disabled)?.value || "";
}

// A known compartment is a tile: one tap picks it, the next opens the job. Everything else is folded away.
const TILES_SHOWN = 8;
const NAME_KEY = "tallypan.name";
const tiles = /** @type {HTMLElement[]} */ ([...document.querySelectorAll("[data-compartment]")]);

function find() {
  const words = /** @type {HTMLInputElement} */ (byId("plan-find")).value.toLowerCase().split(/\s+/).filter(Boolean);
  let found = 0, hidden = 0;
  for (const tile of tiles) {
    const text = (tile.textContent ?? "").toLowerCase();
    const fit = tile.dataset.compartment === "" || words.every((word) => text.includes(word));
    const shown = fit && (tile.dataset.compartment === "" || ++found <= TILES_SHOWN);
    if (fit && !shown) hidden += 1;
    if (tile.parentElement) tile.parentElement.hidden = !shown;
  }
  byId("plan-found").textContent = hidden ? _("{n} more: type a part of the name.", { n: hidden }) : "";
}

/** @param {boolean} on */
function choosing(on) {
  byId("plan-tiles").hidden = !on;
  byId("plan-rest").hidden = on;
  byId("plan-chosen").hidden = on;
}

/** @param {HTMLElement} tile */
function pick(tile) {
  field("compartment").value = tile.dataset.compartment ?? "";
  pickCompartment();
  const other = tile.dataset.compartment === "";
  byId("plan-chosen-name").textContent = other ? _("Another vehicle") : `${tile.querySelector("strong")?.textContent} · ${tile.childNodes[1].textContent?.trim()}`;
  byId("plan-chosen-text").textContent = other ? "" : byId("plan-plug").textContent;
  byId("plan-more").toggleAttribute("open", other);
  choosing(false);
  previewSoon();
  (other ? field("vehicle") : /** @type {HTMLElement} */ (sender(form))).focus({ preventScroll: !other });
}

function tiled() {
  const name = field("technician");
  if (!name.value) name.value = localStorage.getItem(NAME_KEY) ?? "";
  form.classList.add("tiled");
  byId("plan-find").addEventListener("input", find);
  byId("plan-find").addEventListener("keydown", (event) => { if (event.key === "Enter") event.preventDefault(); });
  for (const tile of tiles) tile.addEventListener("click", () => pick(tile));
  byId("plan-other-tile").addEventListener("click", () => { choosing(true); byId("plan-find").focus(); });
  // What the browser refuses must be in sight.
  form.addEventListener("invalid", () => byId("plan-more").setAttribute("open", ""), { capture: true });
  find();
  choosing(true);
}

function typed() {
  /** @type {Record<string, FormDataEntryValue | undefined>} */
  const body = Object.fromEntries(new FormData(form));
  if (chosen(listed("compartment")).dataset.other !== undefined) body.compartment = body.other_compartment;
  else body.vehicle = "";
  delete body.other_compartment;
  return body;
}

// What the plan comes to, a moment after the last change; an answer that was overtaken is not shown.
const PAUSE_MS = 300;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let waiting;
let asked = 0;

async function preview() {
  const mine = ++asked, box = byId("plan-preview");
  try {
    const { html } = await send("/api/plan", typed());
    if (mine === asked) box.innerHTML = html;
  } catch (error) {
    if (mine === asked) box.textContent = textOf(error);
  }
}

function previewSoon() {
  clearTimeout(waiting);
  waiting = setTimeout(preview, PAUSE_MS);
}

export function planForm() {
  field("compartment").addEventListener("change", pickCompartment);
  field("grade").addEventListener("input", fits);
  field("fresh_fluid").addEventListener("change", () => { fits(); pickContainer(); });
  form.addEventListener("input", previewSoon);
  form.addEventListener("change", previewSoon);
  form.addEventListener("focusin", previewSoon);  // a job that ended meanwhile has moved hose and stock
  onSubmit(form, async () => {
    localStorage.setItem(NAME_KEY, field("technician").value);
    if (!(await act(sender(form), "/api/job", typed()))) {
      byId("plan-more").setAttribute("open", "");  // what a refusal asks for is in there
      return;
    }
    choosing(true);
    scrollTo(0, 0);
  });
  pickCompartment();
  tiled();
}

// A tile says when its compartment was last done: a job that has just ended is on no tile that was drawn before it.
const ON_DISK_MS = 1500;
let working = false;
async function renewTiles() {
  const reply = await fetch("/").catch(() => null);
  if (!reply?.ok) return;
  const anew = new DOMParser().parseFromString(await reply.text(), "text/html");
  for (const tile of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".tile[data-compartment]"))) {
    const said = anew.querySelector(`.tile[data-compartment="${CSS.escape(tile.dataset.compartment ?? "")}"] small`);
    const old = tile.querySelector("small");
    if (said && old) old.replaceWith(said);
  }
}
onLive((live) => {
  if (working && !live.flag.job_open) setTimeout(renewTiles, ON_DISK_MS);
  working = live.flag.job_open;
});
