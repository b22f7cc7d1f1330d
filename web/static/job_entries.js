// What is written down: entries in words, put right and withdrawn ones beside what stands.
import { el } from "./job_dom.js";
import { choiceWord, label } from "./job_field.js";
import { both, unitWord } from "./job_units.js";
import { localised, say } from "./say.js";

// Entries that were not put in to correct another one, each with the data that stand now.
export function standing(entries) {
  const byNumber = new Map(entries.map((e) => [e.n, e]));
  return entries
    .filter((e) => e.corrects === undefined)
    .map((e) => {
      const last = e.corrected_by?.length ? byNumber.get(e.corrected_by.at(-1)) : e;
      return { ...e, data: last.data, written: e.data, latest: last.n };
    });
}

const moment = (at) => at.replace("T", " ").replace("Z", "");

function valueWords(kind, spec, value, data) {
  if (value === true || value === false) return say(value ? "job.yes" : "job.no");
  if (Array.isArray(value)) {
    if (value.some((v) => v !== null && typeof v === "object")) {
      return value.map((row, i) => `${say("job.seating", { n: i + 1 })}: ${Object.values(row).flat().map(String).map(localised).join(" ")}`).join("; ");
    }
    const unit = spec?.of?.type === "figure" && data.unit ? ` ${unitWord(data.unit)}` : "";
    return value.map((v) => localised(choiceWord(spec?.field ?? "", String(v)))).join(", ") + unit;
  }
  if (spec?.type === "quantity") return localised(both(value, spec.dimension));
  if (/^[+-]?[\d.]+ (mm|in)$/.test(String(value))) return localised(both(value, "length"));
  if (/^[\d.]+ (N·m|N·cm|lb·in|lb·ft)$/.test(String(value))) return localised(both(value, "torque"));
  return choiceWord(spec?.field ?? "", value);
}

export function facts(ctx, kind, data) {
  const known = ctx.kinds[kind]?.fields ?? [];
  const shown = Object.entries(data).filter(([name, v]) => {
    const spec = known.find((f) => f.field === name);
    return spec && spec.type !== "made" && !(name === "unit" && known.some((f) => f.of?.type === "figure"));
  });
  return el(
    "dl",
    {},
    shown.flatMap(([name, value]) => [el("dt", {}, label(kind, name)), el("dd", { data: { from: "person" } }, valueWords(kind, known.find((f) => f.field === name), value, data))]),
  );
}

const head = (e) => say("job.entry_by", { n: e.n, by: e.by, at: moment(e.at) });

// One entry with everything that became of it.
export function entryItem(ctx, e, byNumber, acts = null) {
  const later = (e.corrected_by ?? []).map((n) => byNumber.get(n)).filter(Boolean);
  const struck = later.length > 0 || e.withdrawn;
  return el(
    "li",
    { class: struck ? "entry struck" : "entry", data: { n: e.n } },
    el("p", { class: "entry-head" }, el("strong", {}, ctx.kinds[e.kind] ? say(`job_kind.${e.kind}`) : e.kind), `, ${head(e)}`),
    el("div", { class: "old" }, facts(ctx, e.kind, e.written ?? e.data)),
    e.withdrawn ? el("p", { class: "cure" }, say("job.withdrawn", { why: localised(e.withdrawn) })) : null,
    later.map((c) => [el("p", { class: "entry-head" }, say("job.corrected_by", { n: c.n }), `, ${head(c)}`), facts(ctx, e.kind, c.data)]),
    acts && !e.withdrawn ? acts(e) : null,
  );
}

// Everything in the order it was written down.
export function history(ctx) {
  return el(
    "ol",
    { class: "things plain" },
    ctx.entries.map((e) =>
      el(
        "li",
        { class: e.corrected_by?.length || e.withdrawn ? "entry struck" : "entry" },
        el("p", { class: "entry-head" }, el("strong", {}, ctx.kinds[e.kind] ? say(`job_kind.${e.kind}`) : e.kind), `, ${head(e)}`),
        e.corrects === undefined ? null : el("p", { class: "quiet" }, say("job.corrects", { n: e.corrects })),
        e.corrected_by?.length ? el("p", { class: "cure" }, say("job.corrected_by", { n: e.corrected_by.at(-1) })) : null,
        e.withdrawn ? el("p", { class: "cure" }, say("job.withdrawn", { why: localised(e.withdrawn) })) : null,
        el("div", { class: "old" }, facts(ctx, e.kind, e.data)),
      ),
    ),
  );
}
