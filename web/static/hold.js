// @ts-check
// The pump's control on a page.
import { isStale, onLive } from "./live.js";
import { textOf } from "./dom.js";
import { pressAndHold } from "./press_and_hold.js";
import { Refusal, hush, say, send, signIn } from "./send.js";
import { _ } from "./words.js";

const BEAT_MS = 100;
const MOST_UNANSWERED = 3;
// That the station was out of reach stands so long at least, and goes once it is heard again.
const READ_MS = 4000;

// A beat every 100 ms while held. The station stops the pump when beats stay away.
// allowed: whether the page, as it now stands, has a control to hold at all.
/** @param {HTMLElement} button @param {(live: import("./live.js").Live) => boolean} allowed */
export function holdToRun(button, allowed = (live) => live.flag.hold) {
  let grip = "", beating = 0, unanswered = 0, told = false, ran = false, lost_ms = Infinity;

  /** @param {string} why @param {string} to */
  const over = (why, to = "") => {
    release();
    say(why, to);
    told = true;
  };
  // Whoever holds stays at the pump's page: its Stop asks nobody who they are.
  const signedOut = () => over(_("Stopped: nobody is signed in here any more. Sign in, then press again. Stop works without."), signIn());
  // Why the last hold ended is old news once the pump runs again, whoever holds it.
  const forget = () => {
    if (told) hush();
    told = false;
    lost_ms = Infinity;
  };
  const beat = async () => {
    if (isStale()) return over(_("Stopped: no live figures. Wait for them, then press again."));
    if (unanswered >= MOST_UNANSWERED) return over(_("Stopped: the station does not answer. Let go, then press again."));
    const mine = grip;
    unanswered += 1;
    try {
      // A page on its way out holds nothing.
      await send("/api/hold", { held: true, grip: mine }, { keepalive: false });
      if (mine === grip) forget();
    } catch (error) {
      if (mine !== grip) return;
      if (error instanceof Refusal && error.status === 401) signedOut();
      else {
        over(textOf(error));
        if (!(error instanceof Refusal) || error.status === 0) lost_ms = performance.now();
      }
    } finally {
      if (mine === grip) unanswered -= 1;
    }
  };
  const down = () => {
    grip = `${Date.now().toString(36)}-${Math.random().toString(36).slice(2)}`;
    unanswered = 0;
    clearInterval(beating);
    beating = setInterval(beat, BEAT_MS);
    beat();
  };
  const up = () => {
    clearInterval(beating);
    const mine = grip;
    grip = "";
    send("/api/hold", { held: false, grip: mine }).catch(() => {});
  };
  const release = pressAndHold(button, down, up);
  onLive((live) => {
    if (!allowed(live)) release();
    if (live.flag.pump_on && !ran || performance.now() - lost_ms > READ_MS) forget();
    ran = live.flag.pump_on;
  });
  return release;
}
