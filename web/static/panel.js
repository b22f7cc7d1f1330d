// The settings, as controls: what stands in the page is what is set, here or in another tab.
import { say } from "./say.js";
import * as settings from "./settings.js";
import * as sound from "./sound.js";
import * as speech from "./speech.js";

const box = document.getElementById("settings");
const controls = [...(box?.querySelectorAll("[data-setting]") ?? [])];
const shown = { volume: (v) => say("settings.percent", { n: v }), rate: (v) => say("settings.times", { n: v.toLocaleString(navigator.language) }) };

function value(control) {
  if (control.type === "checkbox") return control.checked;
  return control.type === "range" ? Number(control.value) : control.value;
}

function show() {
  for (const control of controls) {
    const now = settings.get(control.dataset.setting);
    if (control.type === "checkbox") control.checked = now;
    else if (control.type === "radio") control.checked = control.value === now;
    else control.value = String(now);
    const said = shown[control.dataset.setting]?.(now);
    if (said) {
      control.setAttribute("aria-valuetext", said);
      document.getElementById(`${control.id}-said`).textContent = said;
    }
  }
  const voice = speech.hasVoice();
  box.querySelector("#no-voice").hidden = voice;
  for (const control of box.querySelectorAll("[data-needs-voice]")) control.disabled = !voice;
}

export function setUp() {
  if (!box) return;
  for (const control of controls) {
    const heard = control.type === "range" ? "input" : "change";
    control.addEventListener(heard, () => settings.set(control.dataset.setting, value(control)));
  }
  for (const button of box.querySelectorAll("[data-hear]")) {
    button.addEventListener("click", async () => {
      await sound.start();
      sound.play(button.dataset.hear, true);
    });
  }
  box.querySelector("#hear-voice").addEventListener("click", () => speech.speak(say("speech.sample"), { whatever: true }));
  settings.onChange(show);
  speech.onVoices(show);
  show();
}
