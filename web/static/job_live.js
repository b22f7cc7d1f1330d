// Sentences and pictures that follow what is being typed.
import { jobPath, post } from "./job_api.js";
import { el, told } from "./job_dom.js";
import { station } from "./job_bench.js";
import { facts } from "./job_entries.js";
import { ringPicture } from "./job_panels.js";
import { markSketch, tooth } from "./job_sketch.js";
import { fromBase, inBase, taken, unitWord, written } from "./job_units.js";
import { localised, say } from "./say.js";

const PAUSE_MS = 250;

function mark(ctx, form) {
  const out = el("div", { class: "panel live", data: { panel: "mark" } }, el("h3", {}, say("job_mark.title")));
  const words = el("div", { class: "mark-says", role: "status" });
  const picture = el("div", { class: "picture" });
  out.append(words, picture);
  let timer = 0;
  let turn = 0;
  const show = async (data) => {
    const mine = (turn += 1);
    const answer = await post(jobPath(ctx.job, "/mark"), data);
    if (mine !== turn || !answer.ok) return;
    const r = answer.data;
    words.replaceChildren(
      ...(r.say.length ? r.say.map((s) => told(s)) : [el("p", {}, say("job_mark.empty"))]),
      ...(r.warning ? [told(r.warning, "cure")] : []),
      ...r.problems.filter((p) => p.field === "gearset.mark").map((p) => told(p.allowed, "cure")),
    );
    picture.replaceChildren(markSketch({ ...r, target: r.target ? localised(r.target) : null }));
  };
  form.onLook = (data) => {
    clearTimeout(timer);
    timer = setTimeout(() => show(data), PAUSE_MS);
  };
  // The second reader does not see what the first one read.
  const second = (e) => e.target.closest?.("[data-field=second_reading]") !== null;
  const cover = (covered) => [form.root, out].forEach((x) => x.classList.toggle("covered", covered));
  form.root.addEventListener("focusin", (e) => cover(second(e)));
  form.root.addEventListener("focusout", () => cover(false));
  show(form.data());
  return out;
}

// What is known of the build: an entry says only what is another now.
function state(ctx) {
  if (!Object.keys(ctx.state.state ?? {}).length) return null;
  return el("div", { class: "panel live", data: { panel: "state" } }, el("h3", {}, say("job.stands")), facts(ctx, "state", ctx.state.state));
}

const STILL_MS = 1000;
const STILL_STEPS = 2;
// A finer display flickers on a still surface.
const STILL_MM = 0.003;
const STILL_LEAST = 3;

// Whether the display has stood still for a second.
class Stillness {
  #recent = [];

  take(last) {
    const now = performance.now();
    if (last && last !== this.#recent.at(-1)?.last) this.#recent.push({ now, last });
    this.#recent = this.#recent.filter((r) => now - r.now <= STILL_MS);
    const values = this.#recent.map((r) => r.last.value_mm);
    const step = (last?.step ?? 0) * (last?.unit === "in" ? 25.4 : 1);
    return values.length >= STILL_LEAST && Math.max(...values) - Math.min(...values) <= Math.max(STILL_STEPS * step, STILL_MM) + 1e-9;
  }
}

// The display as the indicator sends it now, to be taken over by a touch once it stands still.
function zeroing(ctx, form) {
  const value = el("output", { class: "value" });
  const still = new Stillness();
  const moves = el("p", { class: "quiet" }, say("job_bench.moves"));
  const take = el("button", { type: "button", class: "small" }, say("job_bench.take_shown"));
  const out = el("div", { class: "panel live", data: { panel: "shown" } }, el("h3", {}, say("job_bench.title")), value, take, moves);
  const draw = () => {
    const last = station.link[0] === "on" ? station.last : null;
    out.hidden = !last;
    take.disabled = !still.take(last);
    moves.hidden = !take.disabled;
    value.textContent = last ? localised(last.shown.replace("-", "−")) : "";
  };
  take.addEventListener("click", () => {
    form.fields.reading.set(station.last.shown);
    form.changed();
    form.save.focus();
  });
  form.stop = () => station.leave(draw);
  station.listen(draw);
  draw();
  return out;
}

function family(ctx, form) {
  // What the side shims do has nothing to do with the pinion.
  if (!form.fields.shim_effect) return null;
  const picture = el("div", { class: "picture" });
  form.onLook = (data) => picture.replaceChildren(markSketch({ plus: null, thicker: { "+1": "out", "-1": "in" }[data.shim_effect] ?? null, target: null }));
  form.onLook(form.data());
  return el("div", { class: "panel live", data: { panel: "family" } }, picture);
}

function ringed(kind) {
  return (ctx, form) => {
    const picture = el("div", { class: "picture", data: { live: kind } });
    const key = kind === "backlash" ? "places" : "readings";
    form.onLook = (data) => {
      const typed = (data[key] ?? []).filter((x) => taken(String(x), "length").figure !== null);
      picture.replaceChildren(...(typed.length > 2 && data.unit ? [ringPicture(ctx, kind, { ...data, [key]: typed })] : []));
    };
    form.onLook(form.data());
    return picture;
  };
}

function pattern(ctx, form) {
  const pictures = el("div", { class: "pictures" });
  form.onLook = (data) => pictures.replaceChildren(tooth("drive", data.drive), tooth("coast", data.coast));
  form.onLook(form.data());
  return pictures;
}

// A spring scale on a string: the torque it makes, in two units.
function torque(ctx, form) {
  const out = el("p", { class: "lead", role: "status" });
  form.onLook = (data) => {
    const [force, radius] = [taken(data.force ?? "", "force"), taken(data.radius ?? "", "length")];
    const ready = force.figure !== null && force.unit && radius.figure !== null && radius.unit;
    if (!ready) {
      out.textContent = "";
      return;
    }
    const nm = (inBase(force.figure, force.unit, "force") * inBase(radius.figure, radius.unit, "length")) / 1000;
    const both = ["N·m", "lb·in"].map((u) => written(fromBase(nm, u, "torque"), u)).join(" = ");
    const as = (q) => localised(`${q.figure} ${unitWord(q.unit)}`);
    out.textContent = say("job_torque.from_string", { force: as(force), radius: as(radius), torque: both });
  };
  form.onLook(form.data());
  return out;
}

const LIVE = { gearset: mark, family, state, zeroing, backlash: ringed("backlash"), "run-out": ringed("run-out"), pattern, preload: torque };

// What follows the typing into a form, or null.
export const live = (ctx, form) => (form.spec.bench ? null : (LIVE[form.spec.kind]?.(ctx, form) ?? null));
