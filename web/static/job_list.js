// The list of jobs, and the beginning of a new one: the unit first, the rest is guided.
import { ask, post } from "./job_api.js";
import { el } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { Person } from "./job_person.js";
import { localised, say } from "./say.js";

const $ = (id) => document.getElementById(id);
// Whoever pressed the button and was asked for his name has said it now: the job begins.
const person = new Person($("person"), () => {
  if (waits) $("begin").requestSubmit();
  else unit.focus();
  waits = false;
});
let waits = false;
const DRAFT = ["", "new", "unit"];

async function show() {
  const answer = await ask("/api/jobs");
  if (!answer.ok) {
    $("jobs").replaceChildren(el("li", {}, answer.status === 404 ? say("jobs.off") : say("common.not_through")));
    return;
  }
  const jobs = answer.data.jobs;
  const heard = jobs.length ? null : await ask("/api/connect");
  $("first").hidden = jobs.length > 0 || heard.data?.station.age_s != null;
  if (!jobs.length) $("jobs").replaceChildren(el("li", {}, say("jobs.none")));
  else $("jobs").replaceChildren(
    ...[...jobs].reverse().map((j) =>
      el(
        "li",
        {},
        el("a", { class: "thing", data: { from: "person" }, href: `/jobs/${encodeURIComponent(j.job)}` }, j.unit ?? j.job),
        el("p", { class: "quiet", data: { from: "person" } }, j.job),
        j.error
          ? el("p", { class: "cure" }, say("jobs.unreadable", { why: localised(j.error) }))
          : el("p", {}, j.closed ? say("jobs.closed") : j.next ? say("jobs.next", { say: localised(j.next.say) }) : ""),
      ),
    ),
  );
}

const unit = $("unit");
unit.value = kept.draft(...DRAFT) ?? "";
unit.addEventListener("input", () => kept.setDraft(...DRAFT, unit.value || null));
$("begin").addEventListener("submit", async (e) => {
  e.preventDefault();
  const problem = $("unit-problem");
  problem.hidden = true;
  unit.removeAttribute("aria-invalid");
  const answer = await post("/api/new-job", { unit: unit.value, by: kept.who() });
  if (answer.ok) {
    kept.setDraft(...DRAFT, null);
    location.assign(`/jobs/${encodeURIComponent(answer.data.job)}`);
    return;
  }
  const problems = answer.data?.problems ?? [];
  const said = (p) => say("job.refused_at", { given: localised(p.given), allowed: localised(p.allowed) });
  const mine = problems.find((p) => p.field !== "by");
  if (mine || !problems.length) {
    problem.textContent = mine ? said(mine) : localised(String(answer.data?.detail ?? say("common.not_through")));
    problem.hidden = false;
    unit.setAttribute("aria-invalid", "true");
    unit.focus();
  }
  const by = problems.find((p) => p.field === "by");
  if (by) {
    waits = !mine;
    person.ask(say("person.missing"));
  }
});
show();
document.addEventListener("visibilitychange", () => document.hidden || show());
