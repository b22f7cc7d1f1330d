// What stands beside the forms of a step: limits so far, shims, readings with what became of them, pictures.
import { ask, jobPath } from "./job_api.js";
import { closurePart, depthPart, shimPart } from "./job_answer.js";
import { el, table, told, typed } from "./job_dom.js";
import { standing } from "./job_entries.js";
import * as kept from "./job_kept.js";
import { picker, shown } from "./job_photos.js";
import { ring, tooth } from "./job_sketch.js";
import { both, taken } from "./job_units.js";
import { has, localised, say } from "./say.js";

function limitWords(ctx, name, limit) {
  const dimension = ctx.kinds.limit.variants.fields[name].dimension;
  const one = (key) => localised(both(limit[key], dimension));
  let out = one("value" in limit ? "value" : "min");
  if ("tolerance" in limit) out = say("job_limits.plus_minus", { value: one("value"), tolerance: one("tolerance") });
  else if ("min" in limit) out = say("job_limits.range", { min: one("min"), max: one("max") });
  return limit.condition ? `${out}, ${say("job_limits.for", { condition: say(`job_choice.condition.${limit.condition}`) })}` : out;
}

function limits(ctx) {
  const names = Object.keys(ctx.kinds.limit.variants.fields);
  const row = (name, limit) => [say(`job_choice.name.${name}`), limit ? limitWords(ctx, name, limit) : say("job_limits.missing"), limit ? typed(limit.page) : "–"];
  const rows = names.flatMap((name) => {
    const all = Object.values(ctx.state.limits_for[name] ?? {});
    return name in ctx.state.limits && all.length > 1 ? all.map((x) => row(name, x)) : [row(name, ctx.state.limits[name])];
  });
  return [el("h3", {}, say("job_limits.title")), table(["name", "value", "page"].map((n) => say(`job_limits.${n}`)), rows)];
}

function stock(ctx) {
  if (!ctx.state.stock.length) return [];
  const head = ["id", "thickness", "marked", "spread", "state"].map((n) => say(`job_stock.${n}`));
  const word = (s) => say(has(`job_stock.state_${s}`) ? `job_stock.state_${s}` : `job_choice.place.${s}`);
  const shown = (text) => (text ? localised(both(text, "length")) : "–");
  const rows = ctx.state.stock.map((p) => [typed(p.id), shown(p.thickness), shown(p.marked), shown(p.spread), word(p.rejected ? "rejected" : p.state)]);
  return [el("h3", {}, say("job_stock.title")), table(head, rows, [1, 2, 3])];
}

const numbers = (list, unit) => (list ?? []).map((x) => taken(String(x), "length").figure).filter((x) => x !== null && unit).map(Number);

// Backlash or run-out round the ring as typed or as written down.
export function ringPicture(ctx, kind, data) {
  const unit = data.unit;
  const values = numbers(data[kind === "backlash" ? "places" : "readings"], unit);
  if (values.length < 3) return el("p", { class: "quiet" }, say("job_ring.not_yet"));
  const figure = el("figure", {}, ring(values, unit, kind === "backlash" && !data.radius ? band(ctx, unit) : { zeroed: kind !== "backlash" }));
  return figure;
}

function band(ctx, unit) {
  const limit = ctx.state.limits.backlash;
  if (!limit) return {};
  const inUnit = (text) => {
    const t = taken(text, "length");
    return Number(t.figure) * (t.unit === unit ? 1 : unit === "mm" ? 25.4 : 1 / 25.4);
  };
  if ("min" in limit) return { low: inUnit(limit.min), high: inUnit(limit.max) };
  const etched = ctx.state.gearset?.etched_backlash;
  const middle = inUnit(etched ?? limit.value);
  return { low: middle - inUnit(limit.tolerance), high: middle + inUnit(limit.tolerance) };
}

function lastReading(ctx, kind) {
  const byNumber = new Map(standing(ctx.entries).map((e) => [e.n, e]));
  const r = ctx.state.readings.filter((x) => x.kind === kind).at(-1);
  return r ? byNumber.get(r.entry) : null;
}

// Which reading it is that is shown: one taken before the strip-down is not one of the rebuild.
function whence(ctx, n) {
  const r = ctx.state.readings.find((x) => x.entry === n);
  return r ? el("p", { class: "quiet" }, say("job_depth.whence", { n, phase: say(`job_choice.phase.${r.phase}`) })) : null;
}

function ringPanel(kind) {
  return (ctx) => {
    const e = lastReading(ctx, kind);
    const out = [el("h3", {}, say(kind === "backlash" ? "job_ring.title" : "job_ring.run_out")), e && whence(ctx, e.n)];
    const slot = el("div", { class: "picture", data: { live: kind } });
    slot.append(e ? ringPicture(ctx, kind, e.data) : el("p", { class: "quiet" }, say("job_ring.not_yet")));
    out.push(slot);
    if (kind === "backlash") out.push(...carrier(ctx));
    return out;
  };
}

function carrier(ctx) {
  const out = [];
  // What comes next says the same where this is the step; before a reading there is nothing to say of one.
  if (ctx.state.carrier?.say && (ctx.state.carrier.reading || ctx.state.carrier.pinch_mm) && ctx.state.carrier.say !== ctx.state.next?.say) out.push(el("p", { class: "shim", role: "status", data: { from: "program" } }, localised(ctx.state.carrier.say)));
  for (const m of ctx.state.ring_moves ?? []) out.push(told(m.say, "quiet"));
  return out;
}

function torque(ctx, where = "pinion") {
  const name = `${where}-preload`;
  const limit = ctx.state.limits_for[name]?.[ctx.state.state.bearings] ?? ctx.state.limits[name];
  const pinch = where === "carrier" ? ctx.state.limits["carrier-pinch"] : null;
  const lines = [limit && say("job_torque.limit", { limit: limitWords(ctx, name, limit) }), pinch && say("job_torque.pinch", { limit: limitWords(ctx, "carrier-pinch", pinch) })].filter(Boolean);
  return (lines.length ? lines : [say("job_torque.no_limit")]).map((words) => el("p", { class: "lead" }, words));
}

function pattern(ctx) {
  const e = lastReading(ctx, "pattern");
  return [
    ...(e ? [el("h3", {}, say("job_pattern.title")), el("div", { class: "pictures" }, tooth("drive", e.data.drive), tooth("coast", e.data.coast))] : []),
    el("h3", {}, say("job_photo.title")),
    shown(ctx),
  ];
}

export function photosPart(ctx) {
  return [el("h3", {}, say("job_photo.title")), shown(ctx), picker(ctx, () => "", () => ctx.reload())];
}

function sheet(ctx) {
  const path = `/jobs/${encodeURIComponent(ctx.job)}/sheet`;
  const by = kept.who() ? `?by=${encodeURIComponent(kept.who())}` : "";
  const status = el("p", { role: "status" });
  const pdf = async () => {
    status.textContent = say("job_sheet.making");
    const answer = await fetch(`${path}.pdf${by}`).catch(() => null);
    if (!answer?.ok) {
      const data = await answer?.json().catch(() => null);
      status.textContent = data?.detail ? say("job_sheet.no_pdf", { why: localised(data.detail) }) : say("common.not_through");
      return;
    }
    const link = el("a", { href: URL.createObjectURL(await answer.blob()), download: `${ctx.job}.pdf` });
    link.click();
    URL.revokeObjectURL(link.href);
    status.textContent = say("job_sheet.made", { name: link.download });
  };
  const check = async () => {
    status.textContent = say("job_sheet.reading");
    const answer = await ask(jobPath(ctx.job, "/check"));
    if (!answer.ok) status.textContent = say("common.not_through");
    else if (answer.data.same) status.textContent = say("job_sheet.same");
    else status.textContent = say("job_sheet.differs", { what: answer.data.findings.filter((f) => !f.same).map((f) => localised(f.say)).join("; ") });
  };
  return [
    el("h3", {}, say("job_sheet.title")),
    el(
      "p",
      { class: "links" },
      el("a", { href: `${path}.html${by}` }, say("job_sheet.open")),
      el("a", { href: `${path}.html${by}`, download: `${ctx.job}.html` }, say("job_sheet.save_html")),
    ),
    el(
      "div",
      { class: "pair" },
      el("button", { type: "button", class: "small", on: { click: pdf } }, say("job_sheet.save_pdf")),
      el("button", { type: "button", class: "small", on: { click: check } }, say("job_sheet.check")),
    ),
    el("p", { class: "quiet" }, say("job_sheet.print")),
    status,
  ];
}

// What `panel` of a step shows; take(place, ids) fills in the form of shims put in.
export function panel(name, ctx, take) {
  const parts = {
    "as-found": () => [ctx.state.as_found ? told(ctx.state.as_found.say, ctx.state.as_found.agrees ? "lead" : "cure") : null],
    limits: () => limits(ctx),
    stock: () => stock(ctx),
    depth: () => [el("h3", {}, say("job_depth.title")), whence(ctx, ctx.state.depth?.set), ...depthPart(ctx.state), ...shimPart(ctx.state, null), ...people(ctx)],
    shim: () => [el("h3", {}, say("job_depth.title")), whence(ctx, ctx.state.depth?.set), ...depthPart(ctx.state), ...shimPart(ctx.state, (ids) => take("depth", ids)), ...stock(ctx), ...closures(ctx), ...people(ctx)],
    closure: () => closures(ctx),
    torque: () => torque(ctx),
    carrier: () => [...torque(ctx, "carrier"), ...carrier(ctx)],
    "run-out": () => ringPanel("run-out")(ctx),
    backlash: () => ringPanel("backlash")(ctx),
    pattern: () => pattern(ctx),
    sheet: () => sheet(ctx),
  };
  const made = name in parts ? parts[name]().filter(Boolean) : [];
  return made.length ? el("div", { class: "panel", data: { panel: name } }, made) : null;
}

const people = (ctx) => (ctx.state.people?.length ? [el("h3", {}, say("job_people.title")), ...ctx.state.people.map((c) => told(c.say, c.agrees ? "lead" : "cure"))] : []);

const closures = (ctx) => (ctx.state.predictions?.length ? [el("h3", {}, say("job_closure.title")), ...closurePart(ctx.state)] : []);
