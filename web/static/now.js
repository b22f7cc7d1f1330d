// What to do now, in one sentence; the seating and its sweeps; how far to done.  For the sweep page and the large display alike.
import { say } from "./say.js";
import { halfWidth, sentence, unit } from "./units.js";

// A silence as short as seating an arbor takes is no trouble yet.
const SILENT_MS = 3000;

let chosen = true;

// Which source it is: one that is none yet is not looked for at its cable.
export const listenedTo = (source) => (chosen = source !== "none");

// What the link is to a person: a short silence is none.
export const felt = (link, since) => (link === "stale" && performance.now() - since < SILENT_MS ? "on" : link);

// The sentence for what the program says is next.
export function whatNow(link, step, result) {
  if (step?.do === "called-off") return sentence(result?.enough?.say ?? "");
  if (step?.do === "read-answer") return say("now.read_answer");
  if (link === "none") return say("now.no_program");
  if (link === "lost") return say(chosen ? "now.link_lost" : "now.none_chosen");
  if (link === "waiting") return say("now.waiting");
  if (link === "stale") return say("now.stale");
  if (!step || (step.do === "sweep" && !result?.sweeps.length && step.seating === 1)) return say("now.begin");
  if (step.do === "sweep") return say("now.sweep", { n: step.left, seating: step.seating });
  return say("now.seat_again", { n: step.seatings });
}

// "Seating 2: 1 of 3 sweeps", and how many of the sweeps are there.
export function seating(step) {
  if (!step) return { text: "", have: 0 };
  const have = 3 - step.left;
  return { text: say("now.seating", { seating: step.seating, have }), have };
}

// How narrow the interval is against how narrow it should be; null where no tolerance says so.
export function progress(result) {
  const enough = result?.enough;
  if (!enough || enough.half_width_mm === null) return null;
  const share = Math.min(1, enough.aim_mm / enough.half_width_mm);
  return { share, text: say("now.far", { half: halfWidth(enough.half_width_mm), aim: halfWidth(enough.aim_mm), unit: unit() }) };
}
