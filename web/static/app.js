// Ties the event stream to the sweep page.
import * as answer from "./answer.js";
import * as buttons from "./buttons.js";
import { Figures, Place } from "./figures.js";
import * as keys from "./keys.js";
import { felt, listenedTo, seating, whatNow } from "./now.js";
import * as panel from "./panel.js";
import * as sets from "./sets.js";
import * as settings from "./settings.js";
import * as shown from "./shown.js";
import { over, page, text } from "./shown.js";
import { meant, setUp as setUpSignals, signal } from "./signals.js";
import * as speech from "./speech.js";
import { listen } from "./stream.js";
import { Trace } from "./trace.js";
import { learn, sentence, unit, withHalf } from "./units.js";
import { verdict } from "./verdict.js";
import { keepAwake } from "./wake.js";
import { localised, say } from "./words.js";

const main = document.querySelector("main");
const head = document.querySelector("#sweeps thead tr");
const rows = document.querySelector("#sweeps tbody");
const lastFigure = new Place(page["sweep-figure"], "sweep");
const figures = new Figures([lastFigure, ...["minima", "drift", "budget", "stock"].map((name) => new Place(page[`figure-${name}`], name))]);

let set = null;
let setup = null;
let result = null;
let step = null;
let last = null;
let fresh = false;
let arrived = 0;
let since = 0; // the last reading, or the link that opened after it: a silence lasts from there
let zero = 0;
let period = 0.1;
let link = "none";
let chosen = null;
let toldLate = false;
let silent = false;
let framed = false;

const advice = new shown.Advice();
const trace = new Trace(page.trace, () => frame());

const streamNow = () => (performance.now() - zero) / 1000;

function showLink(state, why) {
  link = state;
  shown.linkIs(state, why);
  showNow();
}

function showReading() {
  const { same } = shown.number(last);
  page["as-shown"].hidden = same;
  if (!same) text(page["as-shown"], say("sweep.as_shown", { shown: localised(last.shown.replace("-", "−")) }));
}

// The one sentence; advice on a rejected sweep stands for a while before it.
function showNow() {
  const held = advice.standing(link);
  text(page.next, held || whatNow(felt(link, since), step, result));
  const done = over(step);
  page.next.dataset.kind = held ? "no" : done ? "done" : "";
  const seat = seating(step);
  text(page.seating, done ? "" : seat.text);
  page.dots.hidden = done || !step;
  shown.dots(seat);
  page["go-on"].hidden = !step?.ended;
  text(page["after-end"], step?.ended ? say("sweep.after_end") : "");
}

function showResult() {
  main.dataset.swept = String(Boolean(result?.sweeps.length));
  learn(setup, last);
  if (last) showReading();
  showNow();
  if (!result) return;
  answer.show(page, result, setup);
  sets.agree(page, result, setup);
  if (shown.far(result)) {
    // What is next says it already, except where nothing tells what is next.
    text(page["far-say"], step ? "" : sentence(result.enough.say));
  }
  const done = over(step);
  text(page["answer-h"], say(done ? "sweep.depth" : "sweep.depth_so_far"));
  page.answer.dataset.done = String(done);
  sets.list(head, rows, result.sweeps, chosen ?? result.sweeps.length, choose);
  trace.setBottoms(result.sweeps);
}

function choose(n) {
  chosen = n === result.sweeps.length ? null : n;
  sets.list(head, rows, result.sweeps, n, choose);
  text(page["sweep-h"], say(chosen === null ? "sweep.last_sweep" : "sweep.one_sweep", { n }));
  page["newest"].hidden = chosen === null;
  // The newest is asked for as such: what is drawn then shows the set as it stands.
  lastFigure.show(chosen === null ? "" : `sweep=${n}`);
}

// Signals for what is next, once: when it has become something else.
function tellStep(before) {
  if (!step || step.do === before?.do) {
    if (step?.do === "sweep" && before && step.seating > before.seating) speech.speak(say("speech.seating", { seating: step.seating }));
    return;
  }
  if (step.do === "seat-again") signal("reseat", whatNow("on", step, result));
  else if (step.do === "called-off") signal("trouble", whatNow("on", step, result), undefined, true);
  else if (step.do === "read-answer") {
    const said = answer.words(result);
    const depth = said.given ? withHalf(result.depth.distance_mm, result.depth.U95_mm, unit()) : said.depth;
    signal("done", whatNow("on", step, result), `${say("speech.answer", { depth, ruling: said.ruling.replace(/\.$/, "") })} ${said.shim}`, true);
  } else if (before?.do === "seat-again") speech.speak(say("speech.seating", { seating: step.seating }));
}

function trouble(said) {
  signal("trouble", said);
}

function blank() {
  rows.replaceChildren();
  trace.reset([]);
  figures.clear();
  answer.show(page, { depth: { distance_mm: null, reason: say("sweep.no_good_sweep") }, shim: null }, setup);
  text(page.agree, say("sweep.no_good_sweep"));
  page.facts.replaceChildren();
  text(page.play, say("sweep.play_not_judged"));
  page.play.dataset.kind = "";
  page.far.hidden = true;
  text(page["far-say"], "");
  shown.verdictIs({ kind: "", text: "" });
  advice.drop();
  chosen = null;
  toldLate = false;
  last = null;
}

function showInterrupted(left) {
  page.interrupted.hidden = !left || page.interrupted.dataset.read === left.recording;
  if (!left) return;
  page.interrupted.dataset.recording = left.recording;
  text(page["interrupted-text"], say("interrupted.text", { n: left.accepted, recording: left.recording }));
}

function showVerdict(sweep, aloud) {
  const v = verdict(sweep);
  shown.verdictIs(v);
  if (!aloud) return;
  if (v.kind === "late") {
    // Said once, not with every swing of an arbor that is being put away.
    if (!toldLate) speech.speak(say("speech.ended"));
    toldLate = true;
    return;
  }
  advice.give(v.advice);
  // A sweep that a lost link broke off: the trouble was told, and its signal is not talked over.
  if (v.kind === "no" && (link === "lost" || link === "none")) return;
  signal(v.kind === "yes" ? "accepted" : "rejected", v.text, `${v.text} ${v.advice}`.trim());
}

const on = {
  state(s) {
    listenedTo(s.source);
    // What the last signal of another set meant is none of this one.
    if (set !== null && set !== s.set) text(page.heard, "");
    set = s.set;
    setup = s.setup;
    period = s.period_s;
    zero = performance.now() - 1000 * s.now;
    result = s.result;
    step = s.step;
    blank();
    trace.reset(s.trace);
    if (s.last) {
      last = s.last;
      since = arrived = performance.now() - 1000 * Math.max(0, s.now - s.last.t);
    } else {
      // The last reading of another set, or of a program that was stopped, is none of this one.
      shown.noNumber();
      text(page.age, say("sweep.no_reading_yet"));
      page["as-shown"].hidden = true;
      page.number.parentElement.classList.remove("late");
    }
    showLink(s.link.state, s.link.why);
    shown.failureIs(s.failure);
    showInterrupted(s.interrupted);
    text(page.recording, s.recording ?? say("sweep.recording_off"));
    showResult();
    if (result?.sweeps.length) {
      showVerdict(result.sweeps.at(-1), false);
      choose(result.sweeps.length);
      figures.changed();
    }
  },
  reading(r) {
    last = r;
    fresh = true;
    since = arrived = performance.now();
    zero = Math.min(zero || Infinity, arrived - 1000 * r.t);
    trace.add(r.t, r.value_mm);
    frame();
  },
  link(e) {
    const before = link;
    if (e.state === "opened" || e.state === "back") [since, silent] = [performance.now(), false];
    showLink(e.state, e.why);
    // An indicator that is put away once the set is done troubles nobody.
    if (e.state !== "lost" || e.state === before || before === "waiting" || over(step)) return;
    const said = whatNow("lost", step, result);
    // A silence that turns out to be a lost link has sounded already.
    if (silent) meant("trouble", said);
    else trouble(said);
  },
  sweep(s) {
    showVerdict(s, true);
  },
  result(r) {
    const [before, swept, play] = [step, result?.sweeps.length ?? 0, result?.play.finding];
    result = r;
    step = r.step;
    showResult();
    if (r.play.finding === "present" && play !== "present") signal("trouble", sentence(r.play.say), undefined, true);
    tellStep(before);
    if (r.sweeps.length !== swept && chosen === null) choose(r.sweeps.length);
    figures.changed();
  },
  failure(e) {
    shown.failureIs(e.why);
    if (e.why) trouble(e.why);
  },
  interrupted: showInterrupted,
  end() {
    showLink("waiting", "");
    text(page.link, say("link.ended"));
  },
  down() {
    const before = link;
    link = "none";
    shown.linkOff(say("link.no_answer"));
    showNow();
    if (before !== "none") trouble(whatNow("none"));
  },
  silent: () => shown.linkOff(say("link.no_stream")),
};

buttons.setUp({ newest: () => choose(result.sweeps.length) });
keys.setUp();
panel.setUp();
setUpSignals();
settings.onChange((names) => {
  buttons.show();
  if (names.includes("unit")) showResult();
  if (names.includes("theme")) trace.recolour();
});
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => trace.recolour());
speech.onVoices(buttons.show);
buttons.show();
keepAwake();
listen(on);

// A reading is put on the screen with the next frame, the newest of those that came meanwhile.
function frame() {
  if (framed) return;
  framed = true;
  requestAnimationFrame(() => {
    framed = false;
    if (fresh && last) showReading();
    fresh = false;
    if (age() < 1) showAge();
    if (trace.draw(streamNow())) frame();
  });
}

const age = () => (performance.now() - arrived) / 1000;

function showAge() {
  text(page.age, age() < 1 ? say("sweep.age_now") : say("sweep.age", { s: age().toFixed(0) }));
  return shown.lateIs(arrived, period, link);
}

function look() {
  if (last) {
    const lateNow = showAge();
    if (lateNow && !["lost", "stale", "none"].includes(link) && age() > 0.5) showLink("stale", "");
    else if (!lateNow && link === "stale") {
      silent = false;
      showLink("back", "");
    }
  }
  if (link === "stale" && !silent && felt(link, since) === "stale") {
    silent = true;
    showNow();
    if (!over(step)) trouble(whatNow("stale", step, result));
  }
  if (advice.passed()) showNow();
}
setInterval(look, shown.LOOK_MS);
