// Five signals that differ in number, direction and rhythm, so that they can be told apart in a noisy shop and by a poor ear.
import * as settings from "./settings.js";

// [pitch, pitch at its end, length, pause before it]
const SIGNALS = {
  accepted: [[660, 660, 0.12, 0], [990, 990, 0.2, 0.02]], // two, up
  rejected: [[420, 210, 0.6, 0]], // one long, falling
  reseat: [[784, 784, 0.16, 0], [523, 523, 0.16, 0.02], [784, 784, 0.16, 0.12], [523, 523, 0.16, 0.02]], // to and fro, twice
  done: [[523, 523, 0.16, 0], [659, 659, 0.16, 0.02], [784, 784, 0.6, 0.02]], // three, up, the last held
  trouble: [880, 880, 880, 880, 880].map((pitch) => [pitch, pitch, 0.07, 0.07]), // five short, level
  on: [[660, 660, 0.1, 0]],
};
const LOUDEST = 0.5;
const GAP_S = 0.18;

let context = null;
let free = 0;

// Browsers let no sound through before the page was touched; `start` is called then, and again whenever it might help.
export async function start() {
  context ??= new AudioContext();
  if (context.state === "suspended") await context.resume();
}

export const stop = () => context?.suspend();

// Whether what is played is heard: wanted, and let through by the browser.
export const on = () => settings.get("sound") && context?.state === "running";

function note(pitch, last, length, at) {
  const wave = new OscillatorNode(context, { frequency: pitch, type: last < pitch ? "triangle" : "sine" });
  const level = new GainNode(context, { gain: 0 });
  wave.connect(level).connect(context.destination);
  if (last !== pitch) {
    wave.frequency.setValueAtTime(pitch, at);
    wave.frequency.exponentialRampToValueAtTime(last, at + length);
  }
  const loud = (LOUDEST * settings.get("volume")) / 100;
  level.gain.setValueAtTime(0, at);
  level.gain.linearRampToValueAtTime(loud, at + 0.012);
  level.gain.setValueAtTime(loud, at + length - 0.03);
  level.gain.linearRampToValueAtTime(0, at + length);
  wave.start(at);
  wave.stop(at + length);
}

// Plays a signal after the one that still sounds; false if it is not heard.
export function play(kind, whatever = false) {
  if (!context || context.state !== "running") return false;
  if (!whatever && (!settings.get("sound") || settings.get(`tone.${kind}`) === false)) return false;
  let at = Math.max(context.currentTime + 0.01, free);
  for (const [pitch, last, length, pause] of SIGNALS[kind]) {
    at += pause;
    note(pitch, last, length, at);
    at += length;
  }
  free = at + GAP_S;
  return true;
}
