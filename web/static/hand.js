// @ts-check
// A picture under a hand: dragged along, pinched, turned by a wheel, moved by keys. It speaks of fractions of the
// picture's width, so it need not know what is drawn.

/**
 * @typedef {object} Picture
 * @property {() => boolean} whole whether there is nothing to drag along to
 * @property {(by: number) => void} along look on by so much of the width; below nothing is back
 * @property {(by: number, at: number) => void} closer so many times as close, about a place
 * @property {(from: number, to: number) => void} span what is about to be chosen
 * @property {(from: number, to: number) => void} choose look at that alone
 * @property {() => void} all
 */

export const CLOSER = 2, ALONG = 0.25;
const WHEEL = 0.004, TAP = 0.02;

/** @param {HTMLElement} box where keys are heard @param {string} surface what a finger or a mouse may take hold of @param {Picture} picture */
export function hand(box, surface, picture) {
  /** Where each finger is. @type {Map<number, number>} */
  const held = new Map();
  /** @type {number | null} */
  let begun = null;
  let left = 0, width = 1;
  const spread = () => {
    const [a, b] = held.values();
    return { middle: (a + b) / 2, apart: Math.max(0.02, Math.abs(a - b)) };
  };
  /** @param {PointerEvent | WheelEvent} event */
  const at = (event) => Math.max(0, Math.min(1, (event.clientX - left) / width));
  /** @param {Event} event */
  const measured = (event) => {
    const found = event.target instanceof Element ? event.target.closest(surface) : null;
    if (found) ({ left, width } = found.getBoundingClientRect());
    return found;
  };

  box.addEventListener("pointerdown", (event) => {
    const found = event.button === 0 ? measured(event) : null;
    if (!found) return;
    event.preventDefault();  // else the same movement comes once more, as a mouse's
    box.focus({ preventScroll: true });
    found.setPointerCapture(event.pointerId);
    held.set(event.pointerId, (event.clientX - left) / width);
    begun = held.size === 1 && (event.shiftKey || picture.whole()) ? at(event) : null;
    picture.span(0, 0);
  });
  box.addEventListener("pointermove", (event) => {
    const was = held.get(event.pointerId), now = (event.clientX - left) / width;
    if (was === undefined) return;
    if (held.size === 2) {
      const before = spread();
      held.set(event.pointerId, now);
      const { middle, apart } = spread();
      picture.along(before.middle - middle);
      picture.closer(apart / before.apart, middle);
      return;
    }
    held.set(event.pointerId, now);
    if (begun === null) picture.along(was - now);
    else picture.span(Math.min(begun, at(event)), Math.max(begun, at(event)));
  });
  /** @param {PointerEvent} event */
  const over = (event) => {
    if (!held.delete(event.pointerId) || begun === null) return;
    const from = Math.min(begun, at(event)), to = Math.max(begun, at(event));
    begun = null;
    picture.span(0, 0);
    if (event.type === "pointerup" && to - from > TAP) picture.choose(from, to);
  };
  box.addEventListener("pointerup", over);
  box.addEventListener("pointercancel", over);

  box.addEventListener("wheel", (event) => {
    // A wheel alone scrolls the page, as everywhere; a pinch on a touchpad comes as a wheel with the control key.
    const by = event.shiftKey ? event.deltaX || event.deltaY : event.deltaX;
    if (!measured(event) || (!event.ctrlKey && !by)) return;
    event.preventDefault();
    if (event.ctrlKey) picture.closer(Math.exp(-WHEEL * event.deltaY), at(event));
    else picture.along(by / width);
  }, { passive: false });

  /** @type {Record<string, () => void>} */
  const keys = {
    ArrowLeft: () => picture.along(-ALONG), ArrowRight: () => picture.along(ALONG),
    Home: () => picture.along(-Infinity), End: () => picture.along(Infinity),
    "+": () => picture.closer(CLOSER, 0.5), "-": () => picture.closer(1 / CLOSER, 0.5), 0: picture.all,
  };
  box.addEventListener("keydown", (event) => {
    const act = event.target === box && !event.ctrlKey && !event.altKey && !event.metaKey ? keys[event.key] : undefined;
    if (!act) return;
    event.preventDefault();
    act();
  });
}
