// @ts-check
// Tones and vibration at the moments that the station names, and a screen that stays on. Each has its switch, and none
// is on until somebody throws it: a shop is loud enough.
import { byId } from "./dom.js";
import { isOn, onSwitch } from "./device.js";
import { onLive } from "./live.js";
import { _ } from "./words.js";

/** Pitch in hertz and length in seconds of each note; a buzz of the same lengths. @type {Record<string, [number, number][]>} */
const TONES = {
  near: [[880, 0.12]],
  target: [[660, 0.15], [880, 0.15], [1320, 0.35]],
  stopped: [[330, 0.5], [220, 0.7]],
  drip_over: [[880, 0.2], [880, 0.2]],
  cure_over: [[660, 0.2], [660, 0.2], [660, 0.2]],
};
const GAP_S = 0.08;
/** @type {AudioContext | null} */
let audio = null;
/** @type {string | null} */
let last = null;
/** @type {WakeLockSentinel | null} */
let lock = null;
const says = byId("device-says");

/** @param {[number, number][]} notes */
function play(notes) {
  audio ??= new AudioContext();
  audio.resume();
  let at = audio.currentTime;
  for (const [hertz, seconds] of notes) {
    const note = audio.createOscillator(), loud = audio.createGain();
    note.frequency.value = hertz;
    loud.gain.setValueAtTime(0.4, at);
    loud.gain.linearRampToValueAtTime(0, at + seconds);
    note.connect(loud).connect(audio.destination);
    note.start(at);
    note.stop(at + seconds);
    at += seconds + GAP_S;
  }
}

/** @param {[number, number][]} notes */
const shake = (notes) => navigator.vibrate?.(notes.flatMap(([, s]) => [s * 1000, GAP_S * 1000]));

/** @param {string} word */
function tell(word) {
  const notes = TONES[word];
  if (!notes) return;
  if (isOn("sound")) play(notes);
  if (isOn("shake")) shake(notes);
}

async function wake() {
  if (!isOn("awake") || document.hidden || lock) return;
  if (!("wakeLock" in navigator)) {
    says.textContent = _("This address is not a secure one (https), so the page cannot keep the screen on. Set the phone's own screen time-out to its longest.");
    return;
  }
  try {
    lock = await navigator.wakeLock.request("screen");
    lock.addEventListener("release", () => { lock = null; });
  } catch {
    says.textContent = _("The phone did not let the page keep the screen on; a low battery is the usual cause.");
  }
}

export function cues() {
  onLive((live) => {
    const now = live.text.cue ?? "";
    if (last !== null && now !== last) tell(now);
    last = now;
  });
  onSwitch("sound", (on) => { if (on) play(TONES.near); });
  onSwitch("shake", (on) => {
    if (!("vibrate" in navigator)) says.textContent = _("This device or browser cannot vibrate.");
    else if (on) shake(TONES.near);
  });
  onSwitch("awake", (on) => { says.textContent = ""; if (on) wake(); else lock?.release(); });
  document.addEventListener("visibilitychange", wake);
  wake();
}
