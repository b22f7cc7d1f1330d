// The step that is open: what is known, its forms, what was written down, and leaving it out.
import { depthWords, errorWords } from "./job_answer.js";
import { BenchForm } from "./job_bench.js";
import { el, told } from "./job_dom.js";
import { entryItem, standing } from "./job_entries.js";
import { JobForm, formTitle } from "./job_form.js";
import { live } from "./job_live.js";
import { panel } from "./job_panels.js";
import { standingOf } from "./job_steps.js";
import { both } from "./job_units.js";
import { localised, say } from "./say.js";
import { unit } from "./units.js";

export const REPEATED = ["limit", "instrument", "piece"];
const about = (kind, entry, more = {}) => ({ kind, name: `${kind}-${entry}`, first: ["reason"], more: [], preset: { entry, ...more } });

const fits = (spec, e) => e.kind === spec.kind && Object.entries(spec.preset ?? {}).every(([k, v]) => e.data[k] === v) && Boolean(spec.bench) === "stream" in e.data;

// Which forms of a step are unfolded: those that are due.
function due(ctx, step) {
  const forms = step.forms.filter((f) => !f.fold);
  // Before anything is loosened there is only this to do; the rest comes once the carrier is out.
  if (step.step === "as-found" && !ctx.state.readings.some((r) => r.phase === "as-found" && r.kind === "backlash")) return new Set(["backlash"]);
  if (forms.length === 1) return new Set(forms.map((f) => f.name));
  // What is done lies folded; it can be added to.
  if (standingOf(ctx, step.step)[0] === "done") return new Set();
  const written = standing(ctx.entries).filter((e) => !e.withdrawn);
  const zero = ctx.state.zeroings.at(-1);
  const open = zero && !zero.closed;
  // A build that is as it must be is not asked for again: naming the nut says that a wrench was put to it.
  const asked = ctx.state.steps.find((s) => s.step === step.step)?.asks_state;
  const measured = open && ctx.state.readings.some((r) => r.zeroing === zero.entry);
  const out = new Set();
  for (const f of forms) {
    if (step.step === "pinion-preload" && REPEATED.includes(f.kind)) continue;
    if (f.name === "state" && forms.some((x) => x.name === "zeroing-before")) !open && asked && out.add(f.name);
    else if (f.name === "zeroing-before") !open && out.add(f.name);
    else if (f.name === "set-bench") open && out.add(f.name);
    else if (f.name === "zeroing-after") measured && out.add(f.name);
    else if (f.name === "family-sides") sidesOpen(ctx) && out.add(f.name);
    else if (f.name === "preload-carrier" && ctx.state.limits["carrier-pinch"] && !ctx.state.limits["carrier-preload"]) continue;
    else if (f.name === "set-typed" || ["fit-far", "fit-spacer"].includes(f.name) || f.kind === "end-play" || f.bench) continue;
    else if (f.name === "state") ctx.state.state.carrier !== "in" && ["carrier-preload", "run-out"].includes(step.step) && out.add(f.name);
    else if (REPEATED.includes(f.kind) || f.one || !written.some((e) => fits(f, e)) || (step.reads?.endsWith(f.kind) && step.step !== "as-found")) out.add(f.name);
  }
  if (step.step === "depth") return new Set(["fit-depth"]);
  if (step.step === "as-found") for (const name of ["run-out", "preload-pinion", "pattern"]) out.delete(name);
  return out;
}

// What the side shims do is not known yet.
function sidesOpen(ctx) {
  const known = { toward: true, away: true, more: true, less: true };
  return ["left_moves", "right_moves", "left_preload", "right_preload"].some((name) => !known[ctx.state.family?.[name]]);
}

function folded(ctx, step, spec, open) {
  const form = spec.bench ? new BenchForm(ctx, step.step, spec) : new JobForm(ctx, step.step, spec);
  ctx.forms.push(form);
  const beside = live(ctx, form);
  const body = el("div", { class: "form-body" }, form.root, beside);
  if (step.forms.length === 1 && !spec.fold) return el("div", { class: "form-fold", data: { name: spec.name } }, el("h3", {}, formTitle(spec)), body);
  const key = foldKey(step.step, spec.name);
  const fold = el("details", { class: "form-fold", data: { name: spec.name }, open: ctx.folds.get(key) ?? open }, el("summary", {}, formTitle(spec)), body);
  // Only what somebody folds or unfolds himself is remembered: else what is due would stay as it was at first.
  fold.addEventListener("toggle", () => (fold.open === open ? ctx.folds.delete(key) : ctx.folds.set(key, fold.open)));
  return fold;
}

export const foldKey = (step, form) => `${step}/${form}`;

function summary(r) {
  if (r.depth?.distance_mm) {
    const d = r.depth;
    const value = depthWords(d);
    if (d.error_mm === null) return el("p", {}, `${value}. ${say("job_depth.no_target")}`);
    return el("p", {}, d.ruling ? `${value}. ${errorWords(d)}` : value);
  }
  return told(r.depth?.reason ?? r.torque?.say ?? r.run_out?.say ?? r.pattern?.say ?? r.end_play?.say ?? (r.mean_mm === undefined ? (r.covered ?? "") : say("job.mean", { value: both(unit() === "in" ? `${(r.mean_mm / 25.4).toFixed(5)} in` : `${r.mean_mm.toFixed(4)} mm`, "length") })));
}

function acts(ctx, step, r) {
  const specs = [];
  if (r.questions.length) specs.push([about("confirm", r.entry, { what: "unit" }), "confirm"]);
  if (r.status === "wrong state") specs.push([about("allow", r.entry), "allow"]);
  if (r.kind === "depth" && r.phase !== "as-found" && ["valid", "provisional"].includes(r.status)) {
    specs.push([{ kind: "blind", name: `blind-${r.entry}`, first: ["second"], more: [], preset: { first: r.entry } }, "blind"]);
  }
  if (!["void", "past"].includes(r.status)) specs.push([about("void", r.entry), "void"]);
  if (!specs.length) return null;
  return el(
    "details",
    {},
    el("summary", {}, say("job_act.title")),
    specs.map(([spec, name]) => {
      const form = new JobForm(ctx, step.step, spec);
      const note = name === "confirm" ? null : el("p", { class: "quiet" }, say(`job_act.note_${name}`));
      return el("div", { class: "act" }, el("h4", {}, say(`job_act.${name}`)), note, form.root);
    }),
  );
}

function readings(ctx, step) {
  const rows = ctx.state.readings.filter((r) => (step.step === "as-found" ? r.phase === "as-found" : r.kind === step.reads && r.phase !== "as-found"));
  if (!rows.length) return null;
  return el(
    "ul",
    { class: "things readings" },
    [...rows].reverse().map((r) =>
      el(
        "li",
        { data: { status: r.status, entry: r.entry } },
        el("p", { class: "thing" }, say("job.reading", { n: r.entry, kind: say(`job_reading.${r.kind}`), phase: say(`job_choice.phase.${r.phase}`) })),
        el("p", { class: "status", data: { status: r.status } }, say(`job_status.${r.status}`)),
        summary(r),
        [...r.questions, ...r.wrong].map((w) => told(w, "cure")),
        [...r.void, ...r.past].map((v) => el("p", { class: "cure" }, say("job.void_reason", { n: v.entry, reason: localised(v.reason) }))),
        acts(ctx, step, r),
      ),
    ),
  );
}

function entryActs(ctx, step, e) {
  const spec = step.forms.find((f) => fits(f, e)) ?? { kind: e.kind, name: e.kind, first: [], more: [] };
  const whole = ctx.layout.any.find((f) => f.kind === e.kind) ?? spec;
  const slot = el("div", {});
  const close = () => (ctx.correcting.delete(e.n), ctx.render());
  const open = (kind) => {
    const form =
      kind === "withdraw"
        ? new JobForm(ctx, step.step, about("withdraw", e.n), { onClose: close })
        : new JobForm(ctx, step.step, { ...(e.data.stream ? spec : whole), one: false }, { entry: e, onClose: close });
    slot.replaceChildren(form.root);
    return form;
  };
  const act = (kind) => () => {
    ctx.correcting.set(e.n, kind);
    open(kind).focus();
  };
  if (ctx.correcting.has(e.n)) open(ctx.correcting.get(e.n));
  return el(
    "div",
    {},
    el(
      "div",
      { class: "pair" },
      el("button", { type: "button", class: "small", on: { click: act("correct") } }, say("job.correct")),
      el("button", { type: "button", class: "small", on: { click: act("withdraw") } }, say("job.withdraw")),
    ),
    slot,
  );
}

function writtenHere(ctx, step) {
  const byNumber = new Map(ctx.entries.map((e) => [e.n, e]));
  const rows = standing(ctx.entries).filter((e) => step.forms.some((f) => fits(f, e)));
  return el(
    "details",
    { class: "written", open: ctx.correcting.size > 0 },
    el("summary", {}, `${say("job.written")} (${rows.length})`),
    rows.length ? el("ul", { class: "things" }, rows.reverse().map((e) => entryItem(ctx, e, byNumber, () => entryActs(ctx, step, e)))) : el("p", { class: "quiet" }, say("job.nothing_written")),
  );
}

function leaveOut(ctx, step) {
  const spec = { kind: "skip", name: "skip", first: ["reason"], more: [], preset: { step: step.step } };
  const form = new JobForm(ctx, step.step, spec);
  return el("details", { class: "leave-out" }, el("summary", {}, say("job.leave_out")), form.root);
}

// A large change of shim waits for a word that it is right.
function largeChange(ctx, step) {
  if (!ctx.state.shim?.held || !ctx.state.depth || !["depth", "trial", "closure"].includes(step.step) || ctx.state.alarm) return null;
  return new JobForm(ctx, step.step, about("confirm", ctx.state.depth.set, { what: "large change" })).root;
}

// Two figures for one limit wait for a word which of them holds.
function whichLimit(ctx, step) {
  if (step.step !== "limits" || !ctx.state.limit_doubts.length) return null;
  const spec = { kind: "confirm", name: "confirm-limit", first: ["entry", "reason"], more: [], preset: { what: "limit" } };
  const form = new JobForm(ctx, step.step, spec);
  return el("div", { class: "act" }, ctx.state.limit_doubts.filter((x) => x !== ctx.state.next?.say).map((x) => told(x, "cure")), el("h3", {}, say("job.limit_holds")), form.root);
}

// A miss that may be the unit's own give waits for a word that its other causes were looked for.
function unitGives(ctx, step) {
  const entry = ctx.state.alarm_entry;
  if (!entry || !["closure", "trial", "depth"].includes(step.step)) return null;
  const form = new JobForm(ctx, step.step, about("confirm", entry, { what: "response" }));
  return el("div", { class: "act" }, el("h3", {}, say("job.unit_gives")), form.root);
}

// A shim beside a spacer is for units that have one, and a far pack for those with two; a closed job is only opened again.
function suits(ctx, step) {
  const spacer = ["solid spacer", undefined].includes(ctx.state.family?.preload_by);
  if (step.step === "close") return (f) => (f.kind === "reopen") === Boolean(ctx.state.closed);
  if (step.step === "depth" && ctx.state.family?.packs === "one") return (f) => f.name !== "fit-far";
  return (f) => spacer || (f.name !== "fit-spacer" && !(step.step === "pinion-preload" && f.kind === "piece"));
}

// Only a unit with a crush sleeve has one to number.
function numbered(ctx) {
  const sleeve = ["crush sleeve", undefined].includes(ctx.state.family?.preload_by);
  const rest = (names) => names.filter((n) => n !== "sleeve");
  return (f) => (sleeve || f.kind !== "preload" ? f : { ...f, first: rest(f.first), more: rest(f.more) });
}

export function openStep(ctx) {
  const found = ctx.layout.steps.find((s) => s.step === ctx.open) ?? ctx.layout.steps[0];
  const step = { ...found, forms: found.forms.filter(suits(ctx, found)).map(numbered(ctx)) };
  const row = ctx.state.steps.find((s) => s.step === step.step);
  const [kind, words] = standingOf(ctx, step.step);
  const open = due(ctx, step);
  ctx.forms = [];
  return [
    el("h2", { id: "step-h", tabindex: "-1" }, say(`job_step.${step.step}`)),
    el("p", { class: "how", data: { kind } }, words),
    row?.missing && ctx.state.next?.name !== step.step ? el("p", { class: "lead" }, say("job.missing", { say: localised(row.missing) })) : null,
    panel(step.panel, ctx, ctx.take),
    largeChange(ctx, step),
    whichLimit(ctx, step),
    unitGives(ctx, step),
    readings(ctx, step),
    step.forms.map((f) => folded(ctx, step, f, open.has(f.name))),
    writtenHere(ctx, step),
    row?.missing && !row.skipped ? leaveOut(ctx, step) : null,
  ]
    .flat()
    .filter(Boolean);
}
