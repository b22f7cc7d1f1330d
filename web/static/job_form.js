// A form built from what the program says of a kind of entry: drafts kept in the browser, refusals shown at their fields.
import { ask, jobPath, post } from "./job_api.js";
import { el } from "./job_dom.js";
import { standing } from "./job_entries.js";
import { field, label } from "./job_field.js";
import * as kept from "./job_kept.js";
import { photos } from "./job_photos.js";
import { tables } from "./job_seatings.js";
import { has, localised, say } from "./say.js";

export const formTitle = (spec) => (has(`job_form.${spec.name}`) ? say(`job_form.${spec.name}`) : say(`job_kind.${spec.kind}`));

export class JobForm {
  constructor(ctx, step, spec, { entry = null, onClose = null, extra = null } = {}) {
    Object.assign(this, { ctx, step, spec, onClose });
    this.kind = ctx.kinds[spec.kind];
    this.entry = entry ?? (spec.one ? this.present() : null);
    this.draftName = entry ? `${spec.name}-${entry.n}` : spec.name;
    this.when = ctx.layout.when[spec.kind] ?? {};
    this.variants = this.kind.variants ?? null;
    this.byVariant = this.variants ? new Set(Object.values(this.variants.fields).flatMap((v) => v.fields)) : new Set();
    this.fields = {};
    this.build(extra);
    this.fill();
    this.look();
  }

  present() {
    return standing(this.ctx.entries).filter((e) => e.kind === this.spec.kind && !e.withdrawn).at(-1) ?? null;
  }

  env() {
    const names = (name) => this.ctx.names(`${this.spec.kind}.${name}`, this.spec.preset);
    const changed = () => this.changed();
    const unitChosen = (dimension, unit) => {
      kept.setLastUnit(this.ctx.job, dimension, unit);
      for (const f of Object.values(this.fields)) f.adopt?.(dimension, unit);
    };
    return { kind: this.spec.kind, job: this.ctx.job, ctx: this.ctx, long: this.ctx.layout.long, names, changed, unitChosen, tables, photos };
  }

  // A limit's figures are lengths or torques, after its name.
  specOf(name) {
    const own = this.kind.fields.find((f) => f.field === name);
    const dimension = this.byVariant.has(name) && own.type === "text" && this.variants.fields[this.fields[this.variants.by]?.get()]?.dimension;
    return dimension ? { ...own, type: "quantity", dimension, signed: true } : own;
  }

  make(name) {
    const f = field(this.specOf(name), this.env());
    f.dimension = this.specOf(name).dimension;
    this.fields[name] = f;
    return f.root;
  }

  build(extra) {
    const wanted = (names) => names.filter((n) => this.kind.fields.some((f) => f.field === n && f.type !== "made" && f.type !== "table"));
    const merged = this.kind.fields.some((f) => f.type === "list" && f.of.type === "figure");
    const asked = (names) => wanted(names).filter((n) => !(merged && n === "unit"));
    const first = asked(this.spec.first).map((n) => this.make(n));
    const more = asked(this.spec.more).map((n) => this.make(n));
    this.fold = more.length ? el("details", { class: "more" }, el("summary", {}, say("job.more")), more) : null;
    this.problem = el("p", { class: "problem", role: "alert", hidden: true });
    this.save = el("button", { type: "submit" }, say("job.save_entry", { what: this.title() }));
    const clear = el("button", { type: "button", class: "small", on: { click: () => this.empty() } }, say("job.clear"));
    const again = this.onClose ? "job.correcting" : "job.adding";
    const note = this.entry ? el("p", { class: "quiet" }, say(again, { n: this.entry.n })) : null;
    const leave = this.onClose
      ? el("button", { type: "button", class: "small", on: { click: () => (this.forget(), this.onClose()) } }, say("job.stop_correcting"))
      : null;
    this.root = el(
      "form",
      { class: "entry-form", noValidate: true, "aria-label": this.title(), data: { form: this.spec.name }, on: { submit: (e) => this.submit(e) } },
      note,
      first,
      extra,
      this.fold,
      this.problem,
      el("div", { class: "pair" }, this.save, clear, leave),
    );
  }

  title() {
    return formTitle(this.spec);
  }

  prefill() {
    const data = this.entry ? this.entry.data : (this.spec.start ?? {});
    const order = this.variants ? [this.variants.by] : [];
    for (const name of [...order, ...Object.keys(this.fields)]) {
      if (!(name in this.fields)) continue;
      if (name === this.variants?.by) {
        this.fields[name].set(data[name]);
        this.turn();
      } else if (this.fields[name].withUnit) this.fields[name].set(data[name], data.unit);
      else this.fields[name].set(data[name]);
    }
    // The second person's set belongs to the comparison that waits for it.
    const waiting = this.step === "blind" && this.ctx.entries.filter((e) => e.kind === "blind" && !e.withdrawn).at(-1);
    if (waiting && this.fields.blind) this.fields.blind.set(waiting.n);
  }

  fill() {
    this.prefill();
    // What was typed on this page goes before what another tab keeps under the same name.
    const here = this.ctx.typed.get(this.key());
    const begun = here ?? kept.draft(this.ctx.job, this.step, this.draftName);
    if (!begun) return;
    if (here) kept.setDraft(this.ctx.job, this.step, this.draftName, here);
    const by = this.variants?.by;
    if (by && by in begun.raw) {
      this.fields[by].restore(begun.raw[by] ?? undefined);
      this.turn();
    }
    for (const [name, raw] of Object.entries(begun.raw)) if (name !== by) this.fields[name]?.restore(raw ?? undefined);
    if (this.fold && this.spec.more.some((n) => begun.raw[n] !== null && begun.raw[n] !== undefined)) this.fold.open = true;
  }

  // Swaps the figures of a limit for those of another dimension.
  turn() {
    for (const name of this.byVariant) {
      const old = this.fields[name];
      if (!old || old.dimension === this.specOf(name).dimension) continue;
      const place = old.root;
      place.replaceWith(this.make(name));
    }
  }

  applies(name) {
    if (this.byVariant.has(name)) {
      const chosen = this.variants.fields[this.fields[this.variants.by]?.get()];
      if (!chosen?.fields.includes(name)) return false;
    }
    return Object.entries(this.when[name] ?? {}).every(([other, allowed]) => {
      const value = other in this.fields && this.applies(other) ? this.fields[other].get() : undefined;
      return allowed.some((a) => (a === "*" ? value !== undefined : a === null ? value === undefined : String(a) === String(value)));
    });
  }

  look() {
    for (const [name, f] of Object.entries(this.fields)) f.root.hidden = !this.applies(name);
    this.onLook?.(this.data());
  }

  changed() {
    if (this.variants) this.turn();
    this.look();
    const raw = Object.fromEntries(Object.entries(this.fields).map(([n, f]) => [n, f.raw() ?? null]));
    const any = this.entry || Object.values(raw).some((x) => x !== null);
    this.keep(any ? { raw } : null);
  }

  key() {
    return `${this.step}/${this.draftName}`;
  }

  keep(draft) {
    if (draft) this.ctx.typed.set(this.key(), draft);
    else this.ctx.typed.delete(this.key());
    kept.setDraft(this.ctx.job, this.step, this.draftName, draft);
    this.ctx.drafted();
  }

  data() {
    const out = { ...this.spec.preset };
    for (const [name, f] of Object.entries(this.fields)) {
      if (!this.applies(name)) continue;
      const value = f.get();
      if (value === undefined) continue;
      out[name] = value;
      if (f.withUnit && f.unit()) out.unit = f.unit();
    }
    return out;
  }

  forget() {
    this.keep(null);
  }

  empty() {
    this.forget();
    this.clearProblems();
    this.prefill();
    this.look();
    this.focus();
  }

  focus() {
    Object.values(this.fields).find((f) => !f.root.hidden && f.root.isConnected)?.focus();
  }

  clearProblems() {
    this.problem.hidden = true;
    for (const f of Object.values(this.fields)) f.clearProblem();
  }

  async submit(e) {
    e.preventDefault();
    if (this.sending) return;
    this.clearProblems();
    this.sending = this.ctx.sending = true;
    this.ctx.tell(say("job.saving"));
    const answer = await this.send(this.data()).finally(() => (this.sending = this.ctx.sending = false));
    if (!answer) return;
    if (answer.ok) {
      this.forget();
      this.ctx.saved(answer.data, this);
    } else this.refused(answer);
  }

  async send(data) {
    const body = { kind: this.spec.kind, data, by: kept.who() };
    if (this.entry) {
      body.corrects = this.entry.n;
      const shown = [...Object.keys(this.fields), ...Object.keys(this.spec.preset ?? {})];
      for (const name of Object.keys(this.entry.data)) if (shown.includes(name) && !(name in data)) data[name] = null;
    }
    if (this.unsure) {
      const found = await this.arrived(body);
      if (found) return { ok: true, data: { entry: found, next: null, before: true } };
    }
    const answer = await post(jobPath(this.ctx.job, "/entries"), body);
    this.unsure = answer.status === 0 || answer.status >= 500;
    return answer;
  }

  // Whether an entry got onto the disk although its answer did not come back.
  async arrived(body) {
    const answer = await ask(jobPath(this.ctx.job, "/entries"));
    const last = answer.ok ? answer.data.entries.at(-1) : null;
    const known = this.ctx.entries.length;
    if (!last || last.n <= known || last.kind !== body.kind || last.by !== body.by) return null;
    return Object.keys(body.data).every((k) => body.data[k] === null || k in last.data) ? last : null;
  }

  refused(answer) {
    const problems = answer.data?.problems ?? [];
    if (!problems.length) {
      this.trouble(answer.status === 0 ? say("job.not_saved") : localised(String(answer.data?.detail ?? say("job.not_saved"))));
      return;
    }
    let firstBad = null;
    const rest = [];
    for (const p of problems) {
      const name = p.field.split(".").slice(-1)[0];
      const said =
        say("job.refused_at", { given: localised(p.given), allowed: localised(p.allowed) }) + (p.nearest ? ` ${say("job.nearest", { name: p.nearest })}` : "");
      const at = this.fields[name] ?? (name === "unit" ? Object.values(this.fields).find((f) => f.withUnit) : null);
      if (p.field === "by") this.ctx.whoMissing(said, this);
      else if (at && !at.root.hidden) {
        at.setProblem(said);
        if (this.fold?.contains(at.root)) this.fold.open = true;
        firstBad ??= at;
      } else rest.push(this.kind.fields.some((f) => f.field === name) ? `${label(this.spec.kind, name)}: ${said}` : said);
    }
    this.trouble([say("job.refused"), ...rest].join(" "));
    if (firstBad) firstBad.focus();
  }

  trouble(text) {
    this.problem.hidden = false;
    this.problem.textContent = text;
    this.ctx.tell("");
  }
}
