// @ts-check
// What is being pressed stays where it is until the press is over: a control that is replaced between down and up would
// never hear of its click.

/** @type {Element | null} */
let pressed = null;
/** @type {(() => void)[]} */
const later = [];

/** @param {Element | null} element */
const press = (element) => { pressed = element; };

// The click comes after the last event of the press, and before any timer.
const over = () => setTimeout(() => {
  press(null);
  for (const replace of later.splice(0)) replace();
});

addEventListener("pointerdown", (event) => press(/** @type {Element} */ (event.target)), { capture: true });
addEventListener("keydown", (event) => { if (event.key === " ") press(document.activeElement); }, { capture: true });
for (const name of ["pointerup", "pointercancel", "keyup", "blur"]) addEventListener(name, over, { capture: name !== "blur" });

/** Now, or once nothing within the element is pressed any more. @param {Element} element @param {() => void} replace */
export function whenFree(element, replace) {
  if (element.contains(pressed)) later.push(replace);
  else replace();
}
