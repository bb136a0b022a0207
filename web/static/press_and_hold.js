// @ts-check
// Press and hold, in the strict sense: whatever makes it doubtful that somebody still presses, lets go.

/** @param {HTMLElement} button @param {() => void} down @param {() => void} up @returns {() => void} lets go */
export function pressAndHold(button, down, up) {
  let pressed = false;
  const press = () => {
    if (pressed) return;
    pressed = true;
    button.dataset.pressed = "";
    down();
  };
  const release = () => {
    if (!pressed) return;
    pressed = false;
    delete button.dataset.pressed;
    up();
  };
  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    button.setPointerCapture(event.pointerId);
    press();
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture", "blur"]) button.addEventListener(name, release);
  button.addEventListener("keydown", (event) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) press();
  });
  button.addEventListener("keyup", release);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("dragstart", (event) => event.preventDefault());
  for (const name of ["blur", "pagehide", "freeze"]) addEventListener(name, release);
  document.addEventListener("visibilitychange", () => { if (document.hidden) release(); });
  return release;
}
