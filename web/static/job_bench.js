// The running station on a job's page: what it hears now, and its recording put into the job.
import { ask, jobPath, post } from "./job_api.js";
import { el } from "./job_dom.js";
import { JobForm } from "./job_form.js";
import * as kept from "./job_kept.js";
import { whatNow } from "./now.js";
import { listen } from "./stream.js";
import { linkWords, localised, mm, say } from "./words.js";

// One listener a page, however often its steps are drawn anew.
class Station {
  constructor() {
    Object.assign(this, { link: ["waiting", ""], last: null, result: null, step: null, told: new Set(), heard: false, bench: null });
  }

  listen(act) {
    this.told.add(act);
    if (this.heard) return;
    this.heard = true;
    const on = {
      state: (s) => {
        Object.assign(this, { link: linkWords(s.link.state), last: s.last, result: s.result, step: s.step });
        this.askBench();
      },
      reading: (r) => (this.last = r),
      link: (e) => (this.link = linkWords(e.state)),
      result: (r) => Object.assign(this, { result: r, step: r.step }),
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

  draw() {
    const [kind, words] = station.link;
    this.save.hidden = !this.here();
    this.save.textContent = say(this.spec.bench === "sets" ? "job_bench.use" : `job_bench.use_${this.spec.bench}`);
    if (!this.parts) {
      this.parts = {
        link: el("p", { class: "link" }),
        value: el("output", { class: "value" }),
        say: el("p", { class: "lead", data: { from: "program" } }),
        far: el("p", { data: { from: "program" } }),
        more: el("p", { class: "quiet" }),
        job: el("p", { data: { from: "program" } }),
        take: el("button", { type: "button", on: { click: () => this.take() } }, say("job_bench.take")),
        mark: el("button", { type: "button", class: "small", on: { click: () => post("/api/mark", { mark: "reseat" }) } }, say("job_bench.reseat")),
        anew: el("button", { type: "button", class: "small", on: { click: () => post("/api/new-set") } }, say("job_bench.restart")),
      };
      const p = this.parts;
      this.live.append(p.job, p.take, p.link, p.value, p.say, p.far, p.more, el("div", { class: "pair" }, p.mark, p.anew));
    }
    const p = this.parts;
    p.link.dataset.kind = kind;
    p.link.textContent = words;
    p.value.textContent = station.last ? localised(station.last.shown.replace("-", "−")) : "–";
    const known = station.bench !== null;
    const other = station.bench?.job;
    p.job.textContent = !known ? "" : this.here() ? say("job_bench.here") : other ? say("job_bench.elsewhere", { job: other }) : say("job_bench.nobody");
    if (this.here() && !station.bench.current) p.job.textContent = localised(station.bench.say);
    p.take.hidden = !known || this.here();
    for (const part of [p.mark, p.anew]) part.hidden = !this.here();
    if (this.spec.bench === "sets") this.sweeps(p);
  }

  sweeps(p) {
    const { result: r, step } = station;
    const s = r?.set;
    const any = s && s.accepted + s.rejected > 0;
    p.say.textContent = any ? whatNow("on", step, r) : say("job_bench.wait");
    // Not while this seating is swept: it counts seatings that are swept, and would ask for one that has just been taken.
    const beside = any && !step?.ended && !["sweep", "called-off"].includes(step?.do);
    p.far.textContent = beside ? localised(r.enough?.say ?? "") : "";
    const count = s ? [say("job_bench.count", { n: s.accepted, all: s.accepted + s.rejected }), say("job_bench.seats", { n: s.seats })] : [];
    if (r?.depth?.distance_mm) count.push(say("job_bench.depth_so_far", { depth: mm(r.depth.distance_mm), half: mm(r.depth.U95_mm) }));
    p.more.textContent = count.join("; ");
  }

  async ring() {
    if (!this.here() || document.hidden) return;
    const answer = await ask(`/api/bench/${this.spec.bench}`);
    if (!this.parts || !answer.data) return;
    this.parts.say.textContent = localised(String(answer.ok ? (answer.data.say ?? "") : (answer.data.detail ?? "")));
    if (answer.ok && answer.data.places) this.parts.more.textContent = say("job_bench.ring_count", { n: answer.data.places.filter((x) => x.accepted).length });
  }

  async take() {
    this.clearProblems();
    const answer = await post("/api/bench", { job: this.ctx.job });
    if (!answer.ok) this.trouble(localised(String(answer.data?.problems?.[0]?.allowed ?? answer.data?.detail ?? say("job.not_saved"))));
    await station.askBench();
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
