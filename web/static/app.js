// Ties the event stream to the page.
import * as answer from "./answer.js";
import * as sets from "./sets.js";
import * as sound from "./sound.js";
import { Trace } from "./trace.js";
import { LINKS, mm, reasonText } from "./words.js";

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
  const [kind, text] = LINKS[state] ?? LINKS.waiting;
  page.link.dataset.kind = kind;
  page.link.textContent = why && state === "lost" ? `${text}: ${why}` : text;
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
  page.number.textContent = digits.replace("-", "−");
  page.unit.textContent = unit;
}

function showResult(result) {
  if (!result) return;
  answer.show(page, result, setup);
  sets.agree(page, result, setup);
  showProgress(result.enough);
  $("answer-h").textContent = result.enough?.stop === false ? "Pinion depth so far" : "Pinion depth";
  sets.list(rows, result.sweeps);
  trace.setBottoms(result.sweeps);
  const done = Boolean(result.enough?.stop);
  if (done && !ended) {
    sound.play(result.enough.reached ? "done" : "rejected");
    sound.say(result.enough.say);
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
  page["far-text"].textContent = `The sweeps by themselves: sure to ±${mm(half)} mm; aim ±${mm(enough.aim_mm)} mm`;
}

function advice(result) {
  const { set: s, enough } = result;
  if (s.accepted === 0) return "Swing the arbor slowly across the face and back.";
  if (enough) return enough.say + (enough.reached ? " Read the answer." : "");
  // Without a tolerance nothing says how good is good enough: three seatings of three sweeps is the least.
  if (s.accepted < 3 * s.seats) return "Go on: at least three good sweeps for each seating.";
  return s.seats < 3 ? "Lift the arbor out, seat it again, and press R." : "Three seatings are swept. Read the answer.";
}

function blank() {
  rows.replaceChildren();
  trace.reset([]);
  answer.show(page, { depth: { distance_mm: null, reason: "No good sweep yet." }, shim: null }, setup);
  page.agree.textContent = "No good sweep yet.";
  page.facts.replaceChildren();
  page.play.textContent = "Not judged yet.";
  page.next.textContent = "Swing the arbor slowly across the face and back.";
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
    page.recording.textContent = s.recording ?? "off";
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
    const text = s.accepted ? `Sweep ${s.n} counted.` : `Sweep ${s.n} not counted: ${reasonText(s.reasons)}. ${s.advice}`;
    $("last-sweep").textContent = text;
    sound.play(s.accepted ? "accepted" : "rejected");
    sound.say(text);
    if (!s.accepted) {
      page.next.textContent = s.advice;
      advised = performance.now();
    }
  },
  result: showResult,
  mark(e) {
    if (e.mark === "reseat") {
      page.next.textContent = "Seated again. Sweep three times.";
      advised = performance.now();
    }
  },
  failure(e) {
    showFailure(e.why);
  },
  end() {
    showLink("waiting", "");
    page.link.textContent = "The recording has ended";
  },
};

const source = new EventSource("/api/events");
for (const [name, act] of Object.entries(on)) source.addEventListener(name, (e) => act(JSON.parse(e.data)));
source.addEventListener("error", () => {
  page.link.dataset.kind = "off";
  page.link.textContent = "The program on this machine does not answer; trying again";
});

async function post(path, body) {
  const answer = await fetch(path, {
    method: "POST",
    headers: body ? { "content-type": "application/json" } : {},
    body: body ? JSON.stringify(body) : undefined,
  }).catch(() => null);
  if (!answer?.ok) showFailure("That did not get through. Is the program still running?");
}

const acts = {
  reseat: () => post("/api/mark", { mark: "reseat" }),
  "new-set": () => post("/api/new-set"),
  sound: async () => {
    const wanted = !sound.on();
    await (wanted ? sound.start() : sound.stop());
    $("sound").setAttribute("aria-pressed", String(wanted));
    $("sound").firstChild.textContent = wanted ? "Sound is on " : "Start sound ";
    if (wanted) sound.play("on");
  },
  speech: () => {
    const wanted = $("speech").getAttribute("aria-pressed") !== "true";
    sound.setSpeaking(wanted);
    $("speech").setAttribute("aria-pressed", String(wanted));
    $("speech").firstChild.textContent = wanted ? "Speech is on " : "Speak ";
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
    page.age.textContent = age < 1 ? "Last reading just now" : `Last reading ${age.toFixed(0)} s ago`;
    page.number.parentElement.classList.toggle("late", late || link === "lost");
    if (late && link !== "lost" && link !== "stale" && age > 0.5) showLink("stale", "");
    else if (!late && link === "stale") showLink("back", "");
  }
  trace.draw(streamNow());
  requestAnimationFrame(tick);
}
requestAnimationFrame(tick);
