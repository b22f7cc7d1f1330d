// The buttons of the sweep page: marks, sets, sound and voice.
import * as settings from "./settings.js";
import { failureIs, page, text } from "./shown.js";
import * as sound from "./sound.js";
import * as speech from "./speech.js";
import { say } from "./words.js";

async function post(path, body) {
  const done = await fetch(path, {
    method: "POST",
    headers: body ? { "content-type": "application/json" } : {},
    body: body ? JSON.stringify(body) : undefined,
  }).catch(() => null);
  if (!done?.ok) failureIs(say("common.not_through"));
}

export function show() {
  const [s, v] = [settings.get("sound"), settings.get("speech")];
  page.sound.setAttribute("aria-pressed", String(s));
  text(page["sound-said"], say(s ? "sweep.sound_on" : "sweep.start_sound"));
  page.speech.hidden = !speech.hasVoice();
  page.speech.setAttribute("aria-pressed", String(v));
  text(page["speech-said"], say(v ? "sweep.speech_on" : "sweep.speak"));
}

const acts = {
  reseat: () => post("/api/mark", { mark: "reseat" }),
  "new-set": () => post("/api/new-set"),
  "go-on": () => post("/api/mark", { mark: "go-on" }),
  sound: async () => {
    settings.set("sound", !settings.get("sound"));
    await sound.start();
    sound.play("on");
  },
  speech: () => settings.set("speech", !settings.get("speech")),
  "interrupted-read": () => {
    page.interrupted.dataset.read = page.interrupted.dataset.recording;
    page.interrupted.hidden = true;
    page.next.focus();
  },
};

// `more` are the acts that need what the page knows of its set.
export function setUp(more) {
  for (const [id, act] of Object.entries({ ...acts, ...more })) page[id].addEventListener("click", act);
}
