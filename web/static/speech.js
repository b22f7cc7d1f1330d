// Sentences read aloud.  A bonus: many machines have no voice, and then there is nothing to switch on.
import { language, say } from "./say.js";
import * as settings from "./settings.js";

const TOGETHER_MS = 60;
let waiting = [];
let timer = 0;
let lasting = false;
let lastsNext = false;

export const hasVoice = () => "speechSynthesis" in window && speechSynthesis.getVoices().length > 0;

export function onVoices(act) {
  if ("speechSynthesis" in window) speechSynthesis.addEventListener("voiceschanged", act);
}

function hush() {
  waiting = [];
  if ("speechSynthesis" in window) speechSynthesis.cancel();
}

// Units and signs as they are spoken.
function spoken(text) {
  return text
    .replace(/ \([^()]*\d (?:mm|in)\)/g, "") // the same length in the other unit is for the eye
    .replace(/±\s?/g, `${say("speech.give_or_take")} `)
    .replace(/(\d) ?µm\b/g, `$1 ${say("speech.um")}`)
    .replace(/(\d) ?mm\b/g, `$1 ${say("speech.mm")}`)
    .replace(/(\d) ?in\b/g, `$1 ${say("speech.inch")}`)
    .replace(/(\d) ?%/g, `$1 ${say("speech.percent")}`)
    .replace(/\+(?=\d)/g, `${say("speech.plus")} `)
    .replace(/−(?=\d)/g, `${say("speech.minus")} `);
}

function flush(lasts) {
  const text = waiting.join(" ");
  waiting = [];
  // A sweep's sentence that comes late helps nobody; an answer is read to its end.
  if (speechSynthesis.speaking && !lasting) speechSynthesis.cancel();
  lasting = lasts;
  const utterance = new SpeechSynthesisUtterance(spoken(text));
  utterance.lang = language;
  utterance.rate = settings.get("rate");
  utterance.volume = settings.get("volume") / 100;
  speechSynthesis.speak(utterance);
}

// What comes within a moment is said in one breath; `lasts` for what later sentences do not cut off.
export function speak(text, { lasts = false, whatever = false } = {}) {
  if (!text || !hasVoice() || !(whatever || settings.get("speech"))) return;
  if (!waiting.length) lastsNext = false;
  lastsNext ||= lasts;
  waiting.push(text);
  clearTimeout(timer);
  timer = setTimeout(() => waiting.length && flush(lastsNext), TOGETHER_MS);
}

settings.onChange((names) => {
  if (names.includes("speech") && !settings.get("speech")) hush();
});
