// What follows once an entry is on the disk: it is said, and the cursor goes where the work goes on.
import { depthWords, errorWords } from "./job_answer.js";
import { el, told } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { REPEATED, foldKey } from "./job_step.js";
import { standingOf } from "./job_steps.js";
import { localised, say } from "./say.js";
import { sentence } from "./units.js";

export const CONTROLS = "input, select, textarea, button, summary";

// What the job says of itself, so that an entry that changes it is answered with what it came to.
function findings({ state }) {
  const d = state.depth;
  const depth = d?.error_mm === null || d?.error_mm === undefined ? "" : `${depthWords(d)}. ${errorWords(d)}`;
  return [depth, state.predictions?.at(-1)?.closure?.say, ...(state.people ?? []).map((c) => c.say)].filter(Boolean);
}

// After an entry is on the disk: say so, and lead on.
export async function saved(ctx, data, form) {
  const before = ctx.state.next?.name;
  const known = new Set(findings(ctx));
  if (form.spec.kind === "withdraw") kept.forgetEntry(ctx.job, data.entry.data.entry);
  ctx.correcting.clear();
  ctx.waiting = null;
  ctx.own = data.entry.n;
  const same = document.activeElement?.closest?.("[data-form]") !== null;
  const more = !form.entry && MORE[form.spec.name];
  if (!more) ctx.folds.delete(foldKey(ctx.open, form.spec.name));
  ctx.wrote();
  await ctx.reload();
  const said = say(data.before ? "job.was_saved" : "job.saved", { n: data.entry.n });
  const odd = oddities(ctx, data);
  const found = findings(ctx).filter((x) => !known.has(x));
  ctx.tell(`${said} `, [...found.map((x) => told(x, "found", "span")), ...odd]);
  if (odd.at(-1)?.tagName === "BUTTON") odd.at(-1).focus();
  else if (more && formAt(ctx, more)) goOnIn(ctx, formAt(ctx, more), said);
  else if (leadsOn(ctx, before)) document.querySelector("#next a.button")?.focus();
  else if (same) goOnIn(ctx, after(ctx, form.spec.name), said);
}

// Forms that are filled in again and again, and the one for the other side.
const MORE = { ...Object.fromEntries(REPEATED.map((name) => [name, name])), "fit-left": "fit-right" };

// Whether what comes next is on another step than the one that is open.
function leadsOn(ctx, before) {
  const next = ctx.state.next?.name;
  return next && next !== ctx.open && (next !== before || !standingOf(ctx, ctx.open)[0].match(/now|again/));
}

const formAt = (ctx, name) => ctx.forms.find((f) => f.spec.name === name);
export const unfolded = (f) => f.root.closest("details")?.open !== false;

// The form that is due after this one, or the first.
function after(ctx, name) {
  const at = ctx.forms.findIndex((f) => f.spec.name === name);
  return ctx.forms.slice(at + 1).find(unfolded) ?? ctx.forms.find(unfolded);
}

// What was saved and what comes next is said where the cursor goes: on a telephone the top of the page is out of sight.
function goOnIn(ctx, form, said) {
  if (!form) {
    document.getElementById("step-h")?.focus();
    return;
  }
  const fold = form.root.closest("details");
  if (fold) fold.open = true;
  const { next } = ctx.state;
  const elsewhere = next && next.name !== ctx.open;
  const note = el(
    "p",
    { class: "here", tabindex: "-1" },
    `${said} `,
    elsewhere ? el("a", { href: `#${next.name}` }, say("job.go_on", { step: say(`job_step.${next.name}`) })) : el("span", { data: { from: "program" } }, sentence(next?.say ?? "")),
  );
  form.root.prepend(note);
  note.focus();
  form.focus();
  note.scrollIntoView({ block: "nearest" });
}

// What is odd about an entry that was just written down, and the way to put it right; nothing is filled in.
function oddities(ctx, data) {
  if (!data.remarks?.length) return [];
  const n = data.entry.corrects ?? data.entry.n;
  const right = () => {
    ctx.correcting.set(n, "correct");
    ctx.tell("");
    ctx.render();
    const form = document.querySelector("#step .written form");
    form?.querySelector(CONTROLS)?.focus();
    form?.scrollIntoView({ block: "center" });
  };
  const said = data.remarks.map((x) => el("span", { class: "remark", data: { from: "program" } }, `${say("job.look_again")} ${localised(x)}`));
  if (data.entry.kind === "state") return said;
  return [...said, el("button", { type: "button", class: "small", on: { click: right } }, say("job.put_right", { n }))];
}
