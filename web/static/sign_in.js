// @ts-check
// Signing in: a name is tapped, then a PIN typed on the pad, or a passphrase, or a code and a secret of one's own.
import { around, byId, field, onSubmit, sender } from "./dom.js";
import { act, hush, say } from "./send.js";
import { _ } from "./words.js";

const to = document.querySelector("main")?.dataset.to || "/";
let name = "";

/** @param {Record<string, any> | null} content */
function goOn(content) { if (content) location.assign(to); }

/** @param {string} id */
const found = (id) => /** @type {HTMLFormElement | null} */ (document.getElementById(id));

/** The name that was tapped, or typed where none is told. @param {HTMLFormElement} form */
const typed = (form) => form.elements.namedItem("name") ? field(form, "name").value : name;

const own = found("own"), claim = found("claim"), enter = found("enter"), change = found("change");

/** @param {HTMLFormElement} form */
function twice(form) {
  const [one, other] = [field(form, form === change ? "new" : "secret"), field(form, "again")];
  if (one.value === other.value) return true;
  say(_("The two are not the same. Type the new one again."));
  other.value = "";
  other.focus();
  return false;
}

for (const form of [own, claim]) {
  if (form) onSubmit(form, async () => {
    if (!twice(form)) return;
    goOn(await act(sender(form), "/api/claim", { name: typed(form), code: field(form, "code").value, secret: field(form, "secret").value }));
  });
}

if (change) onSubmit(change, async () => {
  if (!twice(change)) return;
  goOn(await act(sender(change), "/api/secret", { secret: field(change, "secret").value, new: field(change, "new").value }));
});

if (enter) {
  const secret = /** @type {HTMLInputElement} */ (field(enter, "secret"));
  onSubmit(enter, async () => {
    const content = await act(sender(enter), "/api/sign-in", { name: typed(enter), secret: secret.value });
    if (!content) secret.value = "";
    goOn(content);
  });
  enter.addEventListener("click", (event) => {
    const digit = around(event, "[data-digit]");
    if (digit) secret.value += digit.dataset.digit;
    else if (around(event, "[data-erase]")) secret.value = secret.value.slice(0, -1);
  });
}

const FORMS = ["enter", "claim", "shop", "help"];

// What a name leads to: a form, or on a simulated bay straight in.
/** @param {string} asks */
function open(asks) {
  const pin = asks === "pin", id = pin || asks === "passphrase" ? "enter" : asks === "code" ? "claim" : asks === "shop" ? "shop" : "help";
  for (const one of FORMS) byId(one).hidden = one !== id;
  byId("people").hidden = true;
  byId(`${id}-name`).textContent = name;
  if (id !== "enter" || !enter) return;
  byId("enter-label").textContent = pin ? _("PIN") : _("Passphrase");
  byId("pad").hidden = !pin;
  byId("enter-wide").hidden = pin;
  const secret = /** @type {HTMLInputElement} */ (field(enter, "secret"));
  secret.inputMode = pin ? "none" : "text";  // the pad is the keyboard
  secret.value = "";
  secret.focus();
}

document.addEventListener("click", async (event) => {
  const tile = around(event, "[data-asks]");
  if (tile) {
    name = tile.dataset.name ?? "";
    hush();
    if (tile.dataset.asks === "nothing") goOn(await act(tile, "/api/say", { name }));
    else open(tile.dataset.asks ?? "");
  } else if (around(event, "[data-back]")) {
    for (const one of FORMS) byId(one).hidden = true;
    byId("people").hidden = false;
    hush();
  }
});

document.getElementById("sign-out")?.addEventListener("click", async () => {
  if (await act(null, "/api/sign-out", {})) location.reload();
});
