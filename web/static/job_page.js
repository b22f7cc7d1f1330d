// The page of one job: loads it, keeps it fresh, and opens one step at a time.
import { ask, jobPath } from "./job_api.js";
import { el } from "./job_dom.js";
import { history } from "./job_entries.js";
import { JobForm } from "./job_form.js";
import * as kept from "./job_kept.js";
import { names } from "./job_names.js";
import { photosPart } from "./job_panels.js";
import { Person } from "./job_person.js";
import { CONTROLS, saved, unfolded } from "./job_saved.js";
import { openStep } from "./job_step.js";
import { nextPart, stepList } from "./job_steps.js";
import { setUnits } from "./job_units.js";
import { localised, say } from "./say.js";
import { learn } from "./units.js";

const $ = (id) => document.getElementById(id);
const LOOK_MS = 2500;
const job = decodeURIComponent(location.pathname.split("/")[2]);
const tabs = new BroadcastChannel("shimwright.jobs");
const person = new Person($("person"), () => ctx.waiting && document.querySelector(`[data-form="${CSS.escape(ctx.waiting)}"] button[type=submit]`)?.focus());

const ctx = {
  job,
  open: null,
  forms: [],
  sending: false,
  folds: new Map(),
  correcting: new Map(),
  typed: new Map(),
  any: null,
  // The form that waits for a name to be saved under, and the last entry this page wrote.
  waiting: null,
  own: 0,
  names: (path, more) => names(ctx, path, more),
  render,
  reload,
  tell: (words, more = []) => $("told").replaceChildren(words, ...more),
  drafted: drawSteps,
  whoMissing(text, form) {
    ctx.waiting = form.spec.name;
    person.ask(text);
  },
  saved: (data, form) => saved(ctx, data, form),
  wrote: () => tabs.postMessage(job),
  take,
};
let size = null;
let drawn = 0;

async function load() {
  const [state, entries, shop] = await Promise.all([ask(jobPath(job)), ask(jobPath(job, "/entries")), ask("/api/stock")]);
  if (!state.ok || !entries.ok) return state.ok ? entries : state;
  learn({ units: state.data.in_inches ? "in" : "mm" });
  Object.assign(ctx, { state: state.data, entries: entries.data.entries, shop: shop.data?.stock ?? [] });
  return null;
}

async function reload() {
  const trouble = await load();
  lost(trouble);
  if (!trouble) render();
}

// What was written elsewhere, and nothing while there is nothing: a page is not drawn anew under the hands without need.
async function fresh() {
  const trouble = await load();
  lost(trouble);
  // What this page is writing itself is no news: it is drawn once the answer is there.
  if (ctx.sending) size = -1;
  if (trouble || ctx.sending || ctx.entries.length <= Math.max(drawn, ctx.own)) return;
  render();
  ctx.tell(say("job.other_tab"));
}

function lost(trouble) {
  $("lost").hidden = !trouble;
  if (trouble) $("lost").textContent = trouble.status === 0 ? say("job.lost") : say("job.gone", { why: localised(String(trouble.data?.detail ?? trouble.status)) });
}

// Where the cursor stands, in words that hold after the page is drawn anew.
function cursor() {
  const at = document.activeElement;
  const form = at?.closest?.("[data-form]");
  if (!form) return null;
  const n = [...form.querySelectorAll(CONTROLS)].indexOf(at);
  return { form: form.dataset.form, n, from: at.selectionStart ?? null, to: at.selectionEnd ?? null };
}

function putBack(was) {
  if (!was) return;
  const form = document.querySelector(`[data-form="${CSS.escape(was.form)}"]`);
  const at = form && [...form.querySelectorAll(CONTROLS)][was.n];
  if (!at) return;
  at.focus({ preventScroll: true });
  try {
    if (was.from !== null) at.setSelectionRange(was.from, was.to);
  } catch {
    // A field without a cursor.
  }
}

function render() {
  const was = cursor();
  drawn = ctx.entries.length;
  for (const f of ctx.forms) f.stop?.();
  const { state } = ctx;
  document.title = `${state.unit ?? job} – shimwright`;
  $("unit-h").textContent = state.unit ?? job;
  $("where").textContent = say("job.files", { name: job });
  const wanted = location.hash.slice(1);
  const known = ctx.layout.steps.some((s) => s.step === wanted);
  ctx.open = known ? wanted : (ctx.open ?? state.next?.name ?? "close");
  $("next").replaceChildren(...nextPart(ctx));
  drawSteps();
  $("step").replaceChildren(...openStep(ctx));
  $("rest").replaceChildren(...rest());
  putBack(was);
}

function drawSteps() {
  const rows = stepList(ctx);
  $("steps").replaceChildren(...rows);
  $("steps-count").textContent = say("job.steps_count", { done: rows.filter((r) => /done|skipped/.test(r.dataset.kind)).length, all: rows.length });
}

// The list lies open beside the step, and folded above it on a narrow screen.
const wide = matchMedia("(min-width: 62rem)");
const spread = () => ($("steps-fold").open = wide.matches);
wide.addEventListener("change", spread);
spread();

function rest() {
  const choose = el(
    "select",
    { id: "any-kind" },
    el("option", { value: "" }, say("job.choose")),
    ctx.layout.any.map((f) => el("option", { value: f.kind }, say(`job_kind.${f.kind}`))),
  );
  const slot = el("div", {});
  const show = () => {
    const spec = ctx.layout.any.find((f) => f.kind === ctx.any);
    slot.replaceChildren(...(spec ? [new JobForm(ctx, ctx.open, spec).root] : []));
  };
  choose.value = ctx.any ?? "";
  choose.addEventListener("change", () => {
    ctx.any = choose.value || null;
    show();
  });
  show();
  const fold = (name, title, ...inside) => {
    const d = el("details", { open: ctx.folds.get(name) ?? false, data: { name } }, el("summary", {}, title), inside);
    d.addEventListener("toggle", () => ctx.folds.set(name, d.open));
    return d;
  };
  return [
    fold("photos", say("job_photo.title"), photosPart(ctx)),
    fold("else", say("job.something_else"), el("label", { for: "any-kind" }, say("job.which_kind")), choose, slot),
    fold("all", say("job.all_written"), history(ctx)),
  ];
}

function take(place, ids) {
  const form = ctx.forms.find((f) => f.spec.name === `fit-${place}`);
  if (!form) return;
  form.fields.pieces.set(ids);
  form.changed();
  const fold = form.root.closest("details");
  if (fold) fold.open = true;
  ctx.tell(say("job_depth.taken"));
  form.save.focus();
}

async function look() {
  if (document.hidden) return;
  const answer = await ask(jobPath(job, "/size"));
  if (!answer.ok) {
    lost(answer);
    return;
  }
  const changed = size !== null && answer.data.size !== size;
  const back = !$("lost").hidden;
  size = answer.data.size;
  if (!changed && !back) return;
  await fresh();
}

window.addEventListener("hashchange", () => {
  ctx.open = null;
  ctx.correcting.clear();
  ctx.tell("");
  render();
  const first = ctx.forms.find(unfolded);
  if (first) first.focus();
  else $("step-h").focus();
  $("step-h").scrollIntoView({ block: "start" });
});
tabs.addEventListener("message", async (e) => {
  if (e.data === job) await fresh();
});
window.addEventListener("storage", (e) => {
  if (e.key?.startsWith(`shimwright.draft.${job}.`) && document.hidden) render();
});
document.addEventListener("visibilitychange", look);

const forms = await ask("/api/job-forms");
if (forms.ok) {
  ctx.layout = forms.data;
  ctx.kinds = Object.fromEntries(forms.data.kinds.map((k) => [k.kind, k]));
  setUnits(forms.data.units);
  // Before the job itself: what is written in between is then seen as new.
  size = (await ask(jobPath(job, "/size"))).data?.size ?? null;
  await reload();
  ctx.tell(kept.toldBefore());
  setInterval(look, LOOK_MS);
} else lost(forms);
