// The depth of a job, the shims it asks for, and what came of earlier predictions.
import { band, percent } from "./answer.js";
import { el, svg, table, told, typed } from "./job_dom.js";
import { taken } from "./job_units.js";
import { bare, halfWidth, length, otherUnit, sentence, unit, withHalf } from "./units.js";
import { localised, rulingWords, say } from "./words.js";

const limitMm = (state, name) => {
  const value = state.limits[name]?.value;
  if (!value) return null;
  const { figure, unit } = taken(value, "length");
  return figure === null ? null : Number(figure) * (unit === "in" ? 25.4 : 1);
};

// A depth and its ruling in the unit the job is worked in.
export const depthWords = (d) => say("job_depth.value", { distance: bare(d.distance_mm), half: halfWidth(d.U95_mm), unit: unit() });
export const errorWords = (d) => say("job_depth.ruling", { ruling: rulingWords(d.ruling), error: length(d.error_mm, 4, true), target: length(d.target_mm, 3) });

export function depthPart(state) {
  const d = state.depth;
  if (!d) return [el("p", {}, say("job_depth.none"))];
  if (d.distance_mm === null) return [told(d.reason, "cure")];
  const out = [
    el("p", { class: "depth" }, depthWords(d)),
    el("p", { class: "quiet" }, withHalf(d.distance_mm, d.U95_mm, otherUnit())),
  ];
  if (d.error_mm === null) out.push(el("p", {}, say("job_depth.no_target")));
  else {
    out.push(el("p", { class: "ruling", data: { kind: d.ruling } }, errorWords(d)));
    if (d.p_within !== null) out.push(el("p", { class: "quiet" }, say("job_depth.chance", { chance: percent(d.p_within) })));
    const picture = svg("svg", { class: "band", viewBox: "0 0 600 118", role: "img" });
    band(picture, d, d.tolerance_mm, limitMm(state, "depth-aim"));
    out.push(picture);
  }
  out.push(
    el(
      "details",
      {},
      el("summary", {}, say("job_depth.steps")),
      el("ol", {}, (d.steps ?? []).map((s) => told(s, null, "li"))),
      el("ul", {}, (d.notes ?? []).map((s) => told(s, "quiet", "li"))),
    ),
  );
  return out;
}

function choiceRow(name, choice) {
  const pieces = choice.pieces.map((p) => `${p.id} (${bare(p.thickness_mm, 3)})`).join(" + ");
  const error = choice.predicted_error_mm === undefined ? "–" : length(choice.predicted_error_mm, 4, true);
  return [say(`job_depth.${name}`), typed(pieces), choice.total_mm === undefined ? "–" : length(choice.total_mm, 3), length(choice.predicted_mm), error];
}

// take(ids) fills in the form that says which shims were put in.
export function shimPart(state, take) {
  const shim = state.shim;
  if (!shim) return [];
  const out = [el("h3", {}, say("job_depth.shim")), el("p", { class: "shim", role: "status", data: { from: "program" } }, sentence(shim.say))];
  if (shim.held) return out;
  const rows = ["stock", "fallback", "runner_up"].filter((name) => shim[name]).map((name) => [name, shim[name]]);
  if (rows.length) {
    const head = ["choice", "pieces", "total", "predicted", "error"].map((n) => say(`job_depth.${n}`));
    out.push(table(head, rows.map(([name, c]) => choiceRow(name, c)), [2, 3, 4]));
    const best = shim.stock ?? shim.fallback;
    if (best && take) {
      const act = () => take(best.pieces.map((p) => p.id));
      out.push(el("button", { type: "button", on: { click: act } }, say("job_depth.take")));
    }
  }
  if (shim.order?.length) {
    const role = { total: "total", "one thinner": "thinner", "one thicker": "thicker" };
    out.push(
      el("p", { class: "lead" }, say("job_depth.order")),
      el("ul", {}, shim.order.map((o) => el("li", {}, `${say("job_depth.order_total", { thickness: localised(o.thickness), unit: o.unit })}: ${say(`job_depth.role_${role[o.role]}`)}`))),
    );
  }
  if (shim.far?.say) out.push(told(shim.far.say));
  return out;
}

export function closurePart(state) {
  const rows = state.predictions ?? [];
  if (!rows.length) return [el("p", { class: "quiet" }, say("job_closure.none"))];
  const head = ["fit", "change", "predicted", "measured", "miss", "agrees"].map((n) => say(`job_closure.${n}`));
  return [
    table(
      head,
      rows.map((p) => [
        String(p.fit),
        length(p.change_mm, 4, true),
        p.predicted_mm === null ? "–" : length(p.predicted_mm),
        p.after === null ? say("job_closure.waiting") : String(p.after),
        p.closure ? length(p.closure.miss_mm, 4, true) : "–",
        p.closure ? say(p.closure.agrees ? "job_closure.yes" : "job_closure.no") : "–",
      ]),
      [0, 1, 2, 4],
    ),
    ...rows.filter((p) => p.closure).slice(-1).map((p) => told(p.closure.say, p.closure.agrees ? "lead" : "cure")),
    state.shim_effect?.say ? told(state.shim_effect.say) : null,
  ];
}
