// Sentences and pictures that follow what is being typed.
import { jobPath, post } from "./job_api.js";
import { el, told } from "./job_dom.js";
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
  show(form.data());
  return out;
}

function family(ctx, form) {
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

const LIVE = { gearset: mark, family, backlash: ringed("backlash"), "run-out": ringed("run-out"), pattern, preload: torque };

// What follows the typing into a form, or null.
export const live = (ctx, form) => (form.spec.bench ? null : (LIVE[form.spec.kind]?.(ctx, form) ?? null));
