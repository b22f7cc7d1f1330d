// What is to be heard and read of an event: a signal, a sentence, and the line that says what the last signal meant.
import { say } from "./say.js";
import * as settings from "./settings.js";
import * as sound from "./sound.js";
import { speak } from "./speech.js";

const heard = document.getElementById("heard");
const hint = document.getElementById("touch");

let played = false;

function line(kind, meaning) {
  heard.dataset.kind = kind;
  heard.textContent = say(played ? "heard.played" : "heard.silent", { how: say(`signal.how.${kind}`), meaning });
}

export function signal(kind, meaning, spoken = meaning, lasts = false) {
  played = sound.play(kind);
  line(kind, meaning);
  speak(spoken, { lasts });
}

// What the last signal meant is known better now: it does not sound a second time.
export function meant(kind, meaning) {
  line(kind, meaning);
  speak(meaning);
}

// A browser lets no sound through before the page was touched: say so while it is wanted and does not sound.
async function listen() {
  if (settings.get("sound")) await sound.start();
  else await sound.stop();
  hint.hidden = !settings.get("sound") || sound.on();
}

export function setUp() {
  const show = () => (hint.hidden = !settings.get("sound") || sound.on());
  const touched = () => {
    if (settings.get("sound") && !sound.on()) sound.start().then(show);
  };
  for (const name of ["pointerdown", "keydown"]) window.addEventListener(name, touched, { passive: true });
  settings.onChange((names) => names.includes("sound") && listen());
  if (settings.get("sound")) sound.start().then(show);
  show();
}
