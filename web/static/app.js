// Ties the event stream to the page.
import * as answer from "./answer.js";
import * as sets from "./sets.js";
import * as sound from "./sound.js";
import { Trace } from "./trace.js";
import { linkWords, localised, mm, reasonText, say } from "./words.js";

const $ = (id) => document.getElementById(id);
const page = Object.fromEntries(
  ["link", "failure", "far", "far-bar", "far-text", "number", "unit", "age", "next", "depth", "ruling", "band", "shim", "how", "steps", "budget", "notes", "agree", "facts", "play", "recording"].map(
    (id) => [id, $(id)],
  ),
);
const rows = document.querySelector("#sweeps tbody");
const trace = new Trace($("trace"));
const HOLD_MS = 8000;

let setup = null;
let last = null;
let arrived = 0;
let zero = 0;
let period = 0.1;
let link = "waiting";
let advised = 0;
let ended = false;

const streamNow = () => (performance.now() - zero) / 1000;

function showLink(state, why) {
  link = state;
  const [kind, text] = linkWords(state);
  page.link.dataset.kind = kind;
  page.link.textContent = why && state === "lost" ? `${text}: ${localised(why)}` : text;
}

function showFailure(text) {
  page.failure.hidden = !text;
  page.failure.textContent = text ?? "";
}

function showReading(r) {
  last = r;
  arrived = performance.now();
  zero = Math.min(zero || Infinity, arrived - 1000 * r.t);
  const [digits, unit] = r.shown.split(" ");
  page.number.textContent = localised(digits.replace("-", "−"));
  page.unit.textContent = unit;
}

function showResult(result) {
  if (!result) return;
  answer.show(page, result, setup);
  sets.agree(page, result, setup);
  showProgress(result.enough);
  $("answer-h").textContent = say(result.enough?.stop === false ? "sweep.depth_so_far" : "sweep.depth");
  sets.list(rows, result.sweeps);
  trace.setBottoms(result.sweeps);
  const done = Boolean(result.enough?.stop);
  if (done && !ended) {
    sound.play(result.enough.reached ? "done" : "rejected");
    sound.speak(localised(result.enough.say));
  }
  ended = done;
  if (done || performance.now() - advised > HOLD_MS) page.next.textContent = advice(result);
}

// How narrow the interval is against how narrow it should be.
function showProgress(enough) {
  const known = enough !== null && enough !== undefined && enough.half_width_mm !== null;
  page.far.hidden = !known;
  if (!known) return;
  const share = Math.min(1, enough.aim_mm / enough.half_width_mm);
  page["far-bar"].style.width = `${(100 * share).toFixed(0)}%`;
  // Rounded up, as the sentence above has it: an interval does not shrink in the printing.
  const half = Math.ceil(enough.half_width_mm * 1e4 - 1e-9) / 1e4;
  page["far-text"].textContent = say("sweep.far", { half: mm(half), aim: mm(enough.aim_mm) });
}

function advice(result) {
  const { set: s, enough } = result;
  if (s.accepted === 0) return say("sweep.begin");
  if (enough) return localised(enough.say) + (enough.reached ? ` ${say("sweep.read_answer")}` : "");
  // Without a tolerance nothing says how good is good enough: three seatings of three sweeps is the least.
  if (s.accepted < 3 * s.seats) return say("sweep.go_on");
  return say(s.seats < 3 ? "sweep.seat_again" : "sweep.three_seatings");
}

function blank() {
  rows.replaceChildren();
  trace.reset([]);
  answer.show(page, { depth: { distance_mm: null, reason: say("sweep.no_good_sweep") }, shim: null }, setup);
  page.agree.textContent = say("sweep.no_good_sweep");
  page.facts.replaceChildren();
  page.play.textContent = say("sweep.play_not_judged");
  page.next.textContent = say("sweep.begin");
  advised = 0;
  ended = false;
}

const on = {
  state(s) {
    setup = s.setup;
    period = s.period_s;
    zero = performance.now() - 1000 * s.now;
    blank();
    trace.reset(s.trace);
    showLink(s.link.state, s.link.why);
    showFailure(s.failure);
    if (s.last) {
      showReading(s.last);
      arrived = performance.now() - 1000 * Math.max(0, s.now - s.last.t);
    }
    page.recording.textContent = s.recording ?? say("sweep.recording_off");
    showResult(s.result);
  },
  reading(r) {
    showReading(r);
    trace.add(r.t, r.value_mm);
  },
  link(e) {
    showLink(e.state, e.why);
  },
  sweep(s) {
    const text = s.accepted
      ? say("sweep.said_counted", { n: s.n })
      : say("sweep.said_not_counted", { n: s.n, why: reasonText(s.reasons), advice: localised(s.advice) });
    $("last-sweep").textContent = text;
    sound.play(s.accepted ? "accepted" : "rejected");
    sound.speak(text);
    if (!s.accepted) {
      page.next.textContent = localised(s.advice);
      advised = performance.now();
    }
  },
  result: showResult,
  mark(e) {
    if (e.mark === "reseat") {
      page.next.textContent = say("sweep.seated_again");
      advised = performance.now();
    }
  },
  failure(e) {
    showFailure(e.why);
  },
  end() {
    showLink("waiting", "");
    page.link.textContent = say("link.ended");
  },
};

const source = new EventSource("/api/events");
for (const [name, act] of Object.entries(on)) source.addEventListener(name, (e) => act(JSON.parse(e.data)));
source.addEventListener("error", () => {
  page.link.dataset.kind = "off";
  page.link.textContent = say("link.no_answer");
});

async function post(path, body) {
  const answer = await fetch(path, {
    method: "POST",
    headers: body ? { "content-type": "application/json" } : {},
    body: body ? JSON.stringify(body) : undefined,
  }).catch(() => null);
  if (!answer?.ok) showFailure(say("common.not_through"));
}

const acts = {
  reseat: () => post("/api/mark", { mark: "reseat" }),
  "new-set": () => post("/api/new-set"),
  sound: async () => {
    const wanted = !sound.on();
    await (wanted ? sound.start() : sound.stop());
    $("sound").setAttribute("aria-pressed", String(wanted));
    $("sound").firstChild.textContent = `${say(wanted ? "sweep.sound_on" : "sweep.start_sound")} `;
    if (wanted) sound.play("on");
  },
  speech: () => {
    const wanted = $("speech").getAttribute("aria-pressed") !== "true";
    sound.setSpeaking(wanted);
    $("speech").setAttribute("aria-pressed", String(wanted));
    $("speech").firstChild.textContent = `${say(wanted ? "sweep.speech_on" : "sweep.speak")} `;
  },
};
for (const [id, act] of Object.entries(acts)) $(id).addEventListener("click", act);
const showSpeech = () => ($("speech").hidden = !sound.hasVoice());
if ("speechSynthesis" in window) speechSynthesis.addEventListener("voiceschanged", showSpeech);
showSpeech();

const KEYS = { r: "reseat", n: "new-set", s: "sound", v: "speech" };
const QUIET_MS = 1500;
let stepped = -Infinity;
document.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.repeat) return;
  const id = KEYS[e.key.toLowerCase()];
  if (id) {
    $(id).click();
    return;
  }
  // A foot switch sends whatever key its maker chose; keys that move about the page, and keys meant for a control, are not it.
  const moves = /^(Tab|Shift|Escape|Arrow.*|Page.*|Home|End|Control|Alt|Meta|CapsLock)$/.test(e.key);
  if (moves || document.activeElement !== document.body || performance.now() - stepped < QUIET_MS) return;
  stepped = performance.now();
  e.preventDefault();
  $("reseat").click();
});

function tick() {
  if (last) {
    const age = (performance.now() - arrived) / 1000;
    const late = age > Math.max(2 * period, 0.15) && link !== "waiting";
    page.age.textContent = age < 1 ? say("sweep.age_now") : say("sweep.age", { s: age.toFixed(0) });
    page.number.parentElement.classList.toggle("late", late || link === "lost");
    if (late && link !== "lost" && link !== "stale" && age > 0.5) showLink("stale", "");
    else if (!late && link === "stale") showLink("back", "");
  }
  trace.draw(streamNow());
  requestAnimationFrame(tick);
}
requestAnimationFrame(tick);
