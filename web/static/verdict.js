// The last sweep in words: counted or not, and why.
import { reasonText, say } from "./words.js";
import { sentence } from "./units.js";

export const late = (sweep) => sweep.reasons[0] === "after-the-end";

// { kind, text, advice } of a sweep.
export function verdict(sweep) {
  if (sweep.accepted) return { kind: "yes", text: say("verdict.counted", { n: sweep.n }), advice: "" };
  const text = say("verdict.not_counted", { n: sweep.n, why: reasonText(late(sweep) ? sweep.reasons.slice(0, 1) : sweep.reasons) });
  return { kind: late(sweep) ? "late" : "no", text, advice: sentence(sweep.advice) };
}
