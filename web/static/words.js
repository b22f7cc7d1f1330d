// What the reasons, rulings and link states are called, in a mechanic's words.
import { has, localised, number, say } from "./say.js";

const LINK_KINDS = { opened: ["on", "on"], back: ["on", "on"], stale: ["late", "stale"], lost: ["off", "lost"], waiting: ["waiting", "waiting"] };

// [kind, words] of a link state.
export function linkWords(state) {
  const [kind, name] = LINK_KINDS[state] ?? LINK_KINDS.waiting;
  return [kind, say(`link.${name}`)];
}

export const rulingWords = (ruling) => say(`ruling.${ruling.replaceAll(" ", "_")}`);
export const reasonText = (reasons) => reasons.map((r) => (has(`reason.${r}`) ? say(`reason.${r}`) : r)).join(", ");
export const mm = number;
export { localised, number, say };
