// The large display for the bench: shows, and changes nothing.
import * as answer from "./answer.js";
import { felt, listenedTo, seating, whatNow } from "./now.js";
import * as settings from "./settings.js";
import * as shown from "./shown.js";
import { page, text } from "./shown.js";
import { listen } from "./stream.js";
import { learn, sentence } from "./units.js";
import { verdict } from "./verdict.js";
import { keepAwake } from "./wake.js";
import { say } from "./words.js";

let setup = null;
let result = null;
let step = null;
let last = null;
let fresh = false;
let arrived = 0;
let since = 0;
let period = 0.1;
let link = "none";
let seen = "";

const advice = new shown.Advice();
const done = () => shown.over(step);

function showLink(state, why) {
  link = state;
  shown.linkIs(state, why);
  show();
}

function show() {
  learn(setup, last);
  if (last) shown.number(last);
  const held = done() ? "" : advice.standing(link);
  text(page.next, held || whatNow(felt(link, since), step, result));
  page.next.dataset.kind = held ? "no" : done() ? "done" : "";
  const seat = seating(step);
  text(page.seating, seat.text);
  page.dots.hidden = !step;
  shown.dots(seat);
  // At the end the answer takes the place of what led to it.
  page.measuring.hidden = page.verdict.hidden = done();
  page.answer.hidden = !done();
  shown.far(done() ? null : result);
  const play = result?.play;
  page.play.hidden = play?.finding !== "present" && play?.finding !== "suspected";
  if (!page.play.hidden) text(page.play, sentence(play.say));
  if (!done() || !result) return;
  const said = answer.words(result);
  text(page.depth, said.depth);
  text(page["depth-other"], said.other);
  page.ruling.dataset.kind = said.kind;
  text(page.ruling, said.ruling);
  text(page.shim, said.shim);
}

const on = {
  state(s) {
    listenedTo(s.source);
    [setup, result, step, last, period] = [s.setup, s.result, s.step, s.last, s.period_s];
    advice.drop();
    if (last) since = arrived = performance.now() - 1000 * Math.max(0, s.now - last.t);
    else shown.noNumber();
    shown.failureIs(s.failure);
    const newest = result?.sweeps.at(-1);
    shown.verdictIs(newest ? verdict(newest) : { kind: "", text: "" });
    showLink(s.link.state, s.link.why);
  },
  reading(r) {
    last = r;
    fresh = true;
    since = arrived = performance.now();
    frame();
  },
  link(e) {
    if (e.state === "opened" || e.state === "back") since = performance.now();
    showLink(e.state, e.why);
  },
  sweep(s) {
    const v = verdict(s);
    shown.verdictIs(v);
    if (v.kind === "late") return;
    advice.give(v.advice);
    show();
  },
  result(r) {
    [result, step] = [r, r.step];
    show();
  },
  failure: (e) => shown.failureIs(e.why),
  end() {
    showLink("waiting", "");
    text(page.link, say("link.ended"));
  },
  down() {
    link = "none";
    shown.linkOff(say("link.no_answer"));
    show();
  },
  silent: () => shown.linkOff(say("link.no_stream")),
};

settings.onChange(show);
keepAwake();
listen(on);

let framed = false;

function frame() {
  if (framed) return;
  framed = true;
  requestAnimationFrame(() => {
    framed = false;
    if (fresh && last) shown.number(last);
    fresh = false;
  });
}

function look() {
  if (last) shown.lateIs(arrived, period, link);
  const now = felt(link, since);
  if (now !== seen) {
    seen = now;
    show();
  }
  if (advice.passed()) show();
}
setInterval(look, shown.LOOK_MS);
