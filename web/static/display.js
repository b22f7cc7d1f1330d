// The large display for the bench: shows, and changes nothing.
import * as answer from "./answer.js";
import { felt, progress, seating, whatNow } from "./now.js";
import * as settings from "./settings.js";
import { listen } from "./stream.js";
import { learn, reading, sentence } from "./units.js";
import { verdict } from "./verdict.js";
import { keepAwake } from "./wake.js";
import { linkWords, localised, say } from "./words.js";

const page = Object.fromEntries([...document.querySelectorAll("[id]")].map((e) => [e.id, e]));
const HOLD_MS = 8000;
const LOOK_MS = 100;

let setup = null;
let result = null;
let step = null;
let last = null;
let fresh = false;
let arrived = 0;
let period = 0.1;
let link = "none";
let advice = "";
let advised = -Infinity;
let seen = "";

const text = (element, said) => {
  if (element.textContent !== said) element.textContent = said;
};

const done = () => step?.do === "read-answer" || step?.do === "called-off";

function showLink(state, why) {
  link = state;
  const [kind, said] = linkWords(state);
  page.link.dataset.kind = kind;
  text(page.link, why && state === "lost" ? `${said}: ${localised(why)}` : said);
  show();
}

function showReading() {
  const shown = reading(last);
  text(page.number, shown.digits);
  text(page.unit, shown.unit);
}

function showVerdict(sweep) {
  const v = sweep ? verdict(sweep) : { kind: "", text: "", advice: "" };
  page.verdict.dataset.kind = v.kind;
  text(page.verdict, v.text);
  return v;
}

function show() {
  learn(setup, last);
  if (last) showReading();
  const held = !done() && link !== "lost" && link !== "none" && advice && performance.now() - advised < HOLD_MS;
  text(page.next, held ? advice : whatNow(felt(link, arrived), step, result));
  page.next.dataset.kind = held ? "no" : done() ? "done" : "";
  const seat = seating(step);
  text(page.seating, seat.text);
  page.dots.hidden = !step;
  [...page.dots.children].forEach((dot, i) => dot.classList.toggle("have", i < seat.have));
  // At the end the answer takes the place of what led to it.
  page.measuring.hidden = page.verdict.hidden = done();
  page.answer.hidden = !done();
  const far = done() ? null : progress(result);
  page.far.hidden = far === null;
  if (far) {
    page["far-bar"].style.width = `${(100 * far.share).toFixed(0)}%`;
    text(page["far-text"], far.text);
  }
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
    [setup, result, step, last, period] = [s.setup, s.result, s.step, s.last, s.period_s];
    advice = "";
    if (last) arrived = performance.now() - 1000 * Math.max(0, s.now - last.t);
    else {
      text(page.number, "–");
      text(page.unit, "");
    }
    page.failure.hidden = !s.failure;
    text(page.failure, s.failure ?? "");
    showVerdict(result?.sweeps.at(-1));
    showLink(s.link.state, s.link.why);
  },
  reading(r) {
    last = r;
    fresh = true;
    arrived = performance.now();
    frame();
  },
  link: (e) => showLink(e.state, e.why),
  sweep(s) {
    const v = showVerdict(s);
    if (v.kind === "late") return;
    advice = v.advice;
    advised = v.advice ? performance.now() : -Infinity;
    show();
  },
  result(r) {
    [result, step] = [r, r.step];
    show();
  },
  failure(e) {
    page.failure.hidden = !e.why;
    text(page.failure, e.why);
  },
  end() {
    showLink("waiting", "");
    text(page.link, say("link.ended"));
  },
  down() {
    link = "none";
    page.link.dataset.kind = "off";
    text(page.link, say("link.no_answer"));
    show();
  },
  silent() {
    page.link.dataset.kind = "off";
    text(page.link, say("link.no_stream"));
  },
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
    if (fresh && last) showReading();
    fresh = false;
  });
}

function look() {
  if (last) {
    const late = performance.now() - arrived > 1000 * Math.max(2 * period, 0.15) && link !== "waiting";
    page.number.parentElement.classList.toggle("late", late || link === "lost" || link === "none");
  }
  const now = felt(link, arrived);
  if (now !== seen) {
    seen = now;
    show();
  }
  if (advice && performance.now() - advised > HOLD_MS) {
    advice = "";
    show();
  }
}
setInterval(look, LOOK_MS);
