// Two tones that differ in pitch, number and direction, so that they can be told apart in a noisy shop.
let context = null;

let speaking = false;

export function start() {
  context ??= new AudioContext();
  return context.resume();
}

export const stop = () => context?.suspend();

export const on = () => context !== null && context.state === "running";

function tone(pitch, at, length, shape) {
  const wave = new OscillatorNode(context, { frequency: pitch, type: shape });
  const level = new GainNode(context, { gain: 0 });
  wave.connect(level).connect(context.destination);
  level.gain.setValueAtTime(0, at);
  level.gain.linearRampToValueAtTime(0.35, at + 0.015);
  level.gain.setValueAtTime(0.35, at + length - 0.04);
  level.gain.linearRampToValueAtTime(0, at + length);
  wave.start(at);
  wave.stop(at + length);
}

export function play(kind) {
  if (!on()) return;
  const now = context.currentTime + 0.01;
  if (kind === "accepted") {
    tone(660, now, 0.14, "sine");
    tone(990, now + 0.15, 0.22, "sine");
  } else if (kind === "done") {
    tone(523, now, 0.18, "sine");
    tone(659, now + 0.19, 0.18, "sine");
    tone(784, now + 0.38, 0.4, "sine");
  } else if (kind === "rejected") {
    tone(240, now, 0.45, "triangle");
  } else {
    tone(520, now, 0.1, "sine");
  }
}

// Speech is a bonus: many machines have no voice, and then there is nothing to switch on.
export const hasVoice = () => "speechSynthesis" in window && speechSynthesis.getVoices().length > 0;

export function setSpeaking(wanted) {
  speaking = wanted;
  if (!wanted && "speechSynthesis" in window) speechSynthesis.cancel();
}

export function speak(text) {
  if (speaking && hasVoice()) speechSynthesis.speak(new SpeechSynthesisUtterance(text));
}
