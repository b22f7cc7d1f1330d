// The list of steps, what comes next, and what has to be measured again.
import { el, told } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { localised, say } from "./say.js";
import { sentence } from "./units.js";

// How a step stands: its kind and the words for it.
export function standingOf(ctx, name) {
  const row = ctx.state.steps.find((s) => s.step === name);
  const reads = ctx.layout.steps.find((s) => s.step === name)?.reads;
  if (row?.skipped) return ["skipped", say("job.skipped", { reason: row.skipped })];
  if (row?.missing && ctx.state.redo.some((r) => r.kind === reads)) return ["again", say("job.again")];
  if (name === ctx.state.next?.name) return ["now", say("job.now")];
  if (row && !row.missing) return ["done", say("job.done")];
  return ["later", say("job.later")];
}

function shownSteps(ctx) {
  return ctx.layout.steps.filter((s) => {
    const row = ctx.state.steps.find((x) => x.step === s.step);
    return !s.quiet || s.step === ctx.open || row?.missing || row?.skipped;
  });
}

export function stepList(ctx) {
  const drafts = kept.drafted(ctx.job);
  return shownSteps(ctx).map((s) => {
    const [kind, words] = standingOf(ctx, s.step);
    const here = s.step === ctx.open;
    return el(
      "li",
      { data: { kind } },
      el("a", { href: `#${s.step}`, "aria-current": here ? "step" : null }, say(`job_step.${s.step}`)),
      el("span", { class: "how" }, ` ${words}`),
      drafts.includes(s.step) && !here ? el("span", { class: "how quiet" }, ` ${say("job.kept")}`) : null,
    );
  });
}

export function nextPart(ctx) {
  const { next, redo, problems, closed } = ctx.state;
  const out = [];
  if (closed) out.push(el("p", { class: "next" }, say("job.closed")));
  if (next) {
    out.push(el("p", { class: "next", role: "status", data: { from: "program" } }, sentence(next.say)));
    out.push(el("p", { class: "quiet" }, say("job.why", { why: localised(next.why) })));
    if (next.name !== ctx.open) out.push(el("p", {}, el("a", { class: "button", href: `#${next.name}` }, say("job.go", { step: say(`job_step.${next.name}`) }))));
  }
  // What the sentence above says already is not said again.
  const further = redo.filter((r) => r.kind !== next?.again);
  if (further.length) {
    out.push(
      el("div", { class: "redo" }, el("h3", {}, say("job.redo_title")), el("ul", {}, further.map((r) => el("li", {}, say("job.redo", { what: localised(r.what), because: sentence(r.because) }))))),
    );
  }
  if (problems.length) out.push(el("h3", {}, say("job.problem_title")), el("ul", {}, problems.map((p) => told(p, "cure", "li"))));
  return out;
}
