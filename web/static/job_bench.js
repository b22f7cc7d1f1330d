// The running station on a job's page: what it hears now, and its recording put into the job.
import { depthWords } from "./job_answer.js";
import { ask, jobPath, post } from "./job_api.js";
import { el } from "./job_dom.js";
import { standing } from "./job_entries.js";
import { JobForm } from "./job_form.js";
import * as kept from "./job_kept.js";
import { whatNow } from "./now.js";
import { listen } from "./stream.js";
import { linkWords, localised, say } from "./words.js";

// One listener a page, however often its steps are drawn anew.
class Station {
  constructor() {
    Object.assign(this, { link: ["waiting", ""], last: null, result: null, step: null, broken: null, told: new Set(), heard: false, bench: null });
  }

  listen(act) {
    this.told.add(act);
    if (this.heard) return;
    this.heard = true;
    const on = {
      state: (s) => {
        Object.assign(this, { link: linkWords(s.link.state), last: s.last, result: s.result, step: s.step, broken: s.interrupted });
        this.askBench();
      },
      reading: (r) => (this.last = r),
      link: (e) => (this.link = linkWords(e.state)),
      result: (r) => Object.assign(this, { result: r, step: r.step }),
      interrupted: (left) => (this.broken = left),
      set: () => this.askBench(),
      down: () => (this.link = ["off", say("job_bench.off")]),
      silent: () => (this.link = ["off", say("job_bench.off")]),
    };
    const told = ([name, take]) => [name, (data) => (take(data), this.tell())];
    listen(Object.fromEntries(Object.entries(on).map(told)));
  }

  leave(act) {
    this.told.delete(act);
  }

  tell() {
    for (const act of this.told) act();
  }

  async askBench() {
    const answer = await ask("/api/bench");
    if (answer.ok) this.bench = answer.data;
    this.tell();
  }
}

export const station = new Station();

const SO_FAR_MS = 2000;

// When the set began, in milliseconds: its recording is named by that.
function began(recording) {
  const m = /^(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)Z/.exec(recording ?? "");
  return m ? Date.UTC(m[1], m[2] - 1, ...m.slice(3)) : null;
}

// Sweeps that were made before the build, its shims or its zero were last written down: they may belong to how it stood before.
function older(ctx, sweeps) {
  const start = began(station.bench?.recording);
  const last = standing(ctx.entries)
    .filter((e) => !e.withdrawn && (e.kind === "state" || (e.kind === "fit" && e.data.place === "depth") || (e.kind === "zeroing" && e.data.when === "before")))
    .at(-1);
  if (!last || start === null) return "";
  const n = sweeps.filter((s) => start + 1000 * s.bottom_s < Date.parse(last.at)).length;
  return n ? say("job_bench.older", { n, entry: last.n, what: say(`job_kind.${last.kind}`) }) : "";
}

// A form whose figures come out of the recording that runs.
export class BenchForm extends JobForm {
  build() {
    this.live = el("div", { class: "bench", "aria-live": "off" });
    super.build(this.live);
    const act = () => this.draw();
    this.stop = () => (station.leave(act), clearInterval(this.timer));
    station.listen(act);
    if (this.spec.bench !== "sets") this.timer = setInterval(() => this.ring(), SO_FAR_MS);
    station.askBench();
    this.draw();
  }

  here() {
    return station.bench?.job === this.ctx.job;
  }

  focus() {
    const p = this.parts;
    const anew = this.spec.bench !== "sets" || station.bench?.current === false;
    [p.take, anew ? p.anew : p.mark].find((x) => !x.hidden)?.focus();
  }

  draw() {
    const [kind, words] = station.link;
    this.save.hidden = !this.here();
    const sets = this.spec.bench === "sets";
    this.save.textContent = say(sets ? "job_bench.use" : `job_bench.use_${this.spec.bench}`);
    this.save.disabled = sets && !station.result?.set?.accepted;
    if (!this.parts) {
      this.parts = {
        link: el("p", { class: "link" }),
        value: el("output", { class: "value" }),
        say: el("p", { class: "lead", data: { from: "program" } }),
        far: el("p", { class: "cure", data: { from: "program" } }),
        broken: el("p", { class: "cure" }),
        more: el("p", { class: "quiet" }),
        job: el("p", { data: { from: "program" } }),
        large: el("p", { class: "quiet" }, say("job_bench.large"), " ", el("a", { href: "/" }, say("common.to_sweeps"))),
        take: el("button", { type: "button", on: { click: () => this.take() } }, say("job_bench.take")),
        mark: el("button", { type: "button", class: "small", on: { click: () => post("/api/mark", { mark: "reseat" }) } }, say("job_bench.reseat")),
        anew: el("button", { type: "button", class: "small", on: { click: () => post("/api/new-set") } }, say(sets ? "job_bench.restart" : "job_bench.restart_ring")),
      };
      const p = this.parts;
      if (!sets) p.say.textContent = say(`job_bench.how_${this.spec.bench}`);
      this.live.append(p.job, p.take, p.broken, p.link, p.value, p.say, p.far, p.more, el("div", { class: "pair" }, p.mark, p.anew), p.large);
    }
    const p = this.parts;
    p.link.dataset.kind = kind;
    p.link.textContent = words;
    p.value.textContent = station.last ? localised(station.last.shown.replace("-", "−")) : "–";
    const known = station.bench !== null;
    const other = station.bench?.job;
    p.job.textContent = !known ? "" : this.here() ? say("job_bench.here") : other ? say("job_bench.elsewhere", { unit: station.bench.unit ?? other }) : say("job_bench.nobody");
    if (this.here() && !station.bench.current) p.job.textContent = localised(station.bench.say);
    p.take.hidden = !known || this.here();
    p.anew.hidden = !this.here();
    p.mark.hidden = !this.here() || !sets;
    p.large.hidden = !this.here() || !sets;
    p.job.className = this.here() && !station.bench.current ? "cure" : "";
    const broken = this.here() && sets ? station.broken : null;
    p.broken.hidden = !broken;
    if (broken) p.broken.textContent = `${say("interrupted.text", { n: broken.accepted, recording: broken.recording })} ${say("interrupted.do")}`;
    if (this.spec.bench === "sets") this.sweeps(p);
  }

  sweeps(p) {
    const { result: r, step } = station;
    const s = r?.set;
    const any = s && s.accepted + s.rejected > 0;
    p.say.textContent = any ? whatNow("on", step, r) : say("job_bench.wait");
    p.far.textContent = any && this.here() ? older(this.ctx, r.sweeps) : "";
    p.far.hidden = !p.far.textContent;
    const count = s ? [say("job_bench.count", { n: s.accepted, all: s.accepted + s.rejected }), say("job_bench.seats", { n: s.seats })] : [];
    if (r?.depth?.distance_mm) count.push(say("job_bench.depth_so_far", { depth: depthWords(r.depth) }));
    p.more.textContent = count.join("; ");
  }

  async ring() {
    if (!this.here() || document.hidden) return;
    const answer = await ask(`/api/bench/${this.spec.bench}`);
    if (!this.parts || !answer.data) return;
    const so = localised(String(answer.ok ? (answer.data.say ?? "") : (answer.data.detail ?? "")));
    this.parts.say.textContent = so ? say("job_bench.so_far", { say: so }) : say(`job_bench.how_${this.spec.bench}`);
    if (answer.ok && answer.data.places) this.parts.more.textContent = say("job_bench.ring_count", { n: answer.data.places.filter((x) => x.accepted).length });
  }

  async take() {
    this.clearProblems();
    const answer = await post("/api/bench", { job: this.ctx.job });
    if (!answer.ok) this.trouble(localised(String(answer.data?.problems?.[0]?.allowed ?? answer.data?.detail ?? say("job.not_saved"))));
    await station.askBench();
    if (answer.ok) (this.spec.bench === "sets" ? this.parts.mark : this.parts.anew).focus();
  }

  async send(data) {
    const body = { ...data, by: kept.who(), ...(this.recording ? { recording: this.recording } : {}) };
    const answer = await post(jobPath(this.ctx.job, `/${this.spec.bench}`), body);
    // What went wrong after the set was ended is tried again with its recording.
    this.recording = answer.ok ? null : (answer.data?.recording ?? this.recording);
    if (!answer.ok && this.recording) this.again = say("job_bench.again", { name: this.recording });
    return answer;
  }

  refused(answer) {
    super.refused(answer);
    if (this.again) this.problem.textContent += ` ${this.again}`;
  }
}
