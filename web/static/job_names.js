// Names that stand in a job and can be chosen: instruments, shims, readings, limits, steps.
import { standing } from "./job_entries.js";
import { say } from "./say.js";
import { length } from "./units.js";

// Limits that stand, for the answer which of them holds.
const limitNames = (ctx) =>
  standing(ctx.entries)
    .filter((e) => e.kind === "limit" && !e.withdrawn)
    .map((e) => [e.n, say("job.limit_at", { n: e.n, name: say(`job_choice.name.${e.data.name}`) })]);

// What a field may name: pairs of the name and the words for it; null where the field names nothing.
export function names(ctx, path, { place, what: asked } = {}) {
  const rule = ctx.layout.names[path];
  if (!rule) return null;
  const [what, which] = rule.split(":");
  const s = ctx.state;
  if (what === "instrument") return Object.values(s.instruments).filter((d) => !which || d.type === which).map((d) => [d.id, d.id]);
  if (what === "step") return ctx.layout.steps.map((x) => [x.step, say(`job_step.${x.step}`)]);
  if (what === "blind") return ctx.entries.filter((e) => e.kind === "blind").map((e) => [e.n, say("job.entry", { n: e.n })]);
  if (what === "reading") {
    if (asked === "limit") return limitNames(ctx);
    const rows = s.readings.filter((r) => !which || r.kind === which);
    const more = path === "confirm.entry" && !asked ? limitNames(ctx) : [];
    return more.concat(rows.map((r) => [r.entry, say("job.reading_at", { n: r.entry, kind: say(`job_reading.${r.kind}`), phase: say(`job_choice.phase.${r.phase}`) })]));
  }
  const goes = { left: "side", right: "side" }[place] ?? place;
  const own = s.stock.filter((p) => !p.rejected && p.state !== "discarded");
  const others = which === "own" ? [] : ctx.shop.filter((p) => p.state === "free" && !s.stock.some((x) => x.id === p.id));
  return [...own, ...others]
    .filter((p) => !goes || p.place === goes)
    .map((p) => [p.id, say("job.piece_at", { id: p.id, thickness: length(p.thickness_mm), state: say(`job_stock.state_${stateOf(p.state)}`) })]);
}

const stateOf = (state) => (state === "free" || state === "reserved" || state === "rejected" || state === "discarded" ? state : "fitted");
