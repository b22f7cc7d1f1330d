// What the parts of the connect screen share: elements, words that are put in once, questions to the program.
import { localised, say } from "./say.js";

export const $ = (id) => document.getElementById(id);

// A value as it stood on the display, in the reader's signs.
export const shown = (value) => localised(value.replace("-", "−"));

export function element(tag, text, kind) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

export function put(id, text) {
  // Unchanged words are left alone: a screen reader would say them again.
  if ($(id).textContent !== text) $(id).textContent = text;
}

export function trouble(id, text) {
  $(id).hidden = !text;
  put(id, text);
  // Its place may be out of sight of the button that was pressed.
  if (text) $(id).scrollIntoView({ block: "nearest" });
}

export async function ask(path, body) {
  const how = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  const answer = await fetch(path, how).catch(() => null);
  if (answer === null) return { error: say("connect.no_answer") };
  const data = await answer.json().catch(() => ({}));
  return answer.ok ? { data } : { error: localised(data.detail ?? say("connect.refused", { status: answer.status })) };
}

// A button that begins a search; while one is under way all of them wait.
export const searching = () => !$("busy").hidden;
