// On the sweep screen: the job at the bench, and its set taken from here.
import { ask, jobPath, post } from "./job_api.js";
import { el } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { localised, say } from "./say.js";

const PHASE = { "as-found": "as-found", "final-depth": "final" };
const SHOWN = { "as-found": "as-found", trial: "depth", final: "final-depth" };
const root = document.getElementById("job-bar");

// Once the set has its answer, putting it into the job is the next thing to do.
function place() {
  if (root.contains(document.activeElement)) return;
  const buttons = document.querySelector(".buttons");
  if (document.getElementById("next").dataset.kind === "done") buttons.before(root);
  else buttons.after(root);
}

async function show() {
  const bench = await ask("/api/bench");
  const job = bench.data?.job;
  root.hidden = !job;
  if (!job || root.contains(document.activeElement)) return;
  const answer = await ask(jobPath(job, "/next"));
  if (!answer.ok) return;
  const phase = PHASE[answer.data.next?.name] ?? "trial";
  const trouble = el("p", { class: "problem", role: "alert", hidden: true });
  const who = el("input", { type: "text", id: "who", autocomplete: "off", maxLength: 80, value: kept.who() });
  const person = el("div", { class: "who", hidden: kept.who() !== "" }, el("label", { for: "who" }, say("person.label")), who);
  // The letters of a name are no commands of the sweep screen.
  who.addEventListener("keydown", (e) => e.stopPropagation());
  who.addEventListener("input", () => kept.setWho(who.value.trim()));
  const fail = (text) => {
    trouble.textContent = text;
    trouble.hidden = false;
  };
  const use = async (e) => {
    e.preventDefault();
    trouble.hidden = true;
    const done = await post(jobPath(job, "/sets"), { phase, by: kept.who() });
    if (done.ok) {
      kept.tellLater(say("job_bench.kept", { n: done.data.entry.n }));
      location.assign(`/jobs/${encodeURIComponent(job)}#${SHOWN[phase]}`);
      return;
    }
    const problems = done.data?.problems ?? [];
    if (problems.some((p) => p.field === "by")) {
      person.hidden = false;
      fail(say("person.missing"));
      who.focus();
    } else fail(localised(String(problems[0]?.allowed ?? done.data?.detail ?? say("common.not_through"))));
  };
  root.replaceChildren(
    el(
      "form",
      { noValidate: true, on: { submit: use } },
      el("p", { class: "lead" }, say("job_bench.use_title", { unit: bench.data.unit ?? job })),
      bench.data.current ? null : el("p", { class: "cure", data: { from: "program" } }, localised(bench.data.say)),
      person,
      trouble,
      el("div", { class: "pair" }, el("button", { type: "submit", id: "use-set" }, say("job_bench.use")), el("a", { class: "open-job", href: `/jobs/${encodeURIComponent(job)}` }, say("job_bench.open_job"))),
    ),
  );
}

if (root) {
  show();
  place();
  const watch = (id, act, how) => new MutationObserver(act).observe(document.getElementById(id), how);
  watch("next", place, { attributes: true, attributeFilter: ["data-kind"] });
  // Each set has a recording of its own.
  watch("recording", show, { childList: true, characterData: true, subtree: true });
}
