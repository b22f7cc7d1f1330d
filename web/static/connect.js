// The connect screen: what is there, how it speaks, and whether it matches the display.
import { linkWords } from "./words.js";

const $ = (id) => document.getElementById(id);
const QUICK_MS = 300;
const CALM_MS = 1000;

let chosen = 0;
let shownFor = "";
let hadSearch = false;
let drawn = "";
let timer = 0;
let now = {};
let kept = null;

function element(tag, text, kind) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

function say(id, text) {
  // Unchanged words are left alone: a screen reader would say them again.
  if ($(id).textContent !== text) $(id).textContent = text;
}

function trouble(id, text) {
  $(id).hidden = !text;
  say(id, text);
}

async function ask(path, body) {
  const how = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  const answer = await fetch(path, how).catch(() => null);
  if (answer === null) return { error: "The program on this machine does not answer. Is it still running?" };
  const data = await answer.json().catch(() => ({}));
  return answer.ok ? { data } : { error: data.detail ?? `Refused (${answer.status}).` };
}

async function command(path, body, where = "failure") {
  trouble("failure", "");
  trouble("keep-said", "");
  const { data, error } = await ask(path, body ?? {});
  if (error) trouble(where, error);
  refresh();
  return data;
}

// what is there

function identifyButton(source, label) {
  const button = element("button", "Identify");
  button.type = "button";
  button.setAttribute("aria-label", `Identify ${label}`);
  button.addEventListener("click", () => identify(source));
  return button;
}

function portItem(p) {
  const item = element("li");
  item.append(element("p", p.device, "thing"));
  if (p.about && p.about !== p.device) item.append(element("p", p.about, "quiet"));
  if (p.stays) {
    const same = p.sure ? "The name that stays, whichever socket it is in" : "Known by its socket: leave it there";
    item.append(element("p", `${same}: ${p.stays}`, "quiet"));
  }
  if (p.mine) item.append(element("p", "In use by this page: its readings are shown here already."));
  else if (!p.allowed) item.append(element("p", `No permission to open it. Cure: ${p.cure}`));
  else if (p.held_by.length) item.append(element("p", `In use by ${p.held_by.join(", ")}. ${p.cure}`));
  else item.append(element("p", "Free"), identifyButton(p.source, p.device));
  return item;
}

async function look() {
  say("ports-said", "Looking …");
  const { data, error } = await ask("/api/connect/ports");
  $("ports").replaceChildren(...(data?.ports ?? []).map(portItem));
  const n = data?.ports.length;
  const none = "No serial port found. Plug the indicator's cable in and look again; a charging-only cable shows no port.";
  say("ports-said", error ?? (n ? `${n} serial port${n > 1 ? "s" : ""}` : none));
}

function heardItem(h) {
  const item = element("li");
  item.append(element("p", h.name || "Without a name", "thing"));
  const near = h.strength_dbm > -60 ? "strong signal" : h.strength_dbm > -80 ? "fair signal" : "weak signal: bring it nearer";
  item.append(element("p", `${h.address}, ${near}`, "quiet"), identifyButton(h.source, h.name || h.address));
  return item;
}

function showHeard(search) {
  if (search.doing === "bluetooth") return say("heard-said", "Listening for Bluetooth. Switch the indicator on and bring it near.");
  const text = JSON.stringify(search.bluetooth);
  if (search.bluetooth === null) return say("heard-said", "");
  const n = search.bluetooth.length;
  say("heard-said", n ? `${n} Bluetooth device${n > 1 ? "s" : ""} heard, the nearest first` : "No Bluetooth device heard. Wake the indicator and bring it near.");
  if ($("heard").dataset.drawn === text) return;
  $("heard").dataset.drawn = text;
  $("heard").replaceChildren(...search.bluetooth.map(heardItem));
}

// how it speaks

async function identify(source) {
  chosen = 0;
  const data = await command("/api/connect/identify", { source, poll: $("poll").value || null });
  if (data) {
    $("search").focus({ preventScroll: true });
    $("search").scrollIntoView({ block: "nearest" });
  }
}

const DOING = {
  identify: "Listening. Move the indicator's plunger a little.",
  bluetooth: "Listening for Bluetooth indicators.",
  read: "Reading it again. Hold the indicator still.",
};

function showBusy(s) {
  $("busy").hidden = !s.doing;
  for (const button of document.querySelectorAll("#ports button, #heard button, #bluetooth, #other button, #again, #no, #keep button, #candidates button")) {
    button.disabled = Boolean(s.doing);
  }
  if (!s.doing) return;
  $("bar").value = Math.min(1, s.elapsed_s / s.limit_s);
  const parts = [`${Math.floor(s.elapsed_s)} s of at most ${Math.round(s.limit_s)} s`];
  if (s.line) parts.push(`trying ${s.line}`);
  if (s.doing !== "bluetooth") parts.push(s.received ? `${s.received} bytes came` : "nothing came yet");
  say("busy-said", s.ending ? "Stopping …" : parts.join("; "));
}

function showSaid(s) {
  if (s.doing) return say("search-said", DOING[s.doing]);
  const n = s.candidates.length;
  const found = `${n} way${n > 1 ? "s" : ""} to read ${s.source}`;
  if (s.said) say("search-said", s.said);
  else if (n) say("search-said", found);
  else if (s.outcome === "scanned") say("search-said", "Choose an indicator to identify.");
}

function showMatch(s) {
  const c = s.candidates[chosen] ?? s.candidates[0];
  $("match").hidden = !c || Boolean(s.kept) || s.doing === "identify";
  if (!c) return;
  say("value", c.shown.at(-1).replace("-", "−"));
  const before = c.shown.slice(0, -1).map((x) => x.replace("-", "−"));
  say("value-said", `This is way ${c.n + 1} of ${s.candidates.length}. ${before.length ? `Before it: ${before.join(", ")}. ` : ""}The display has moved on since? Hold the indicator still and read it again.`);
  $("guess").hidden = !c.guessed.length;
  say("guess", `What came does not tell ${c.guessed.join(" and ")}: only the display does.`);
  $("no").hidden = s.candidates.length < 2;
}

function candidateItem(c) {
  const item = element("li");
  item.append(element("p", `${c.shown.at(-1).replace("-", "−")}: ${c.kind}`, "thing"));
  const facts = [c.line, c.scale, c.rate ? `${c.rate} readings a second` : "", `${c.readings} readings`, `${c.explained_percent} % of what came is explained`];
  item.append(element("p", facts.filter(Boolean).join("; "), "quiet"));
  if (!c.sure) item.append(element("p", "Not certain: little came, or part of it is not explained.", "quiet"));
  const button = element("button", "Compare this one");
  button.type = "button";
  button.setAttribute("aria-label", `Compare way ${c.n + 1}, ${c.shown.at(-1)}, with the display`);
  button.addEventListener("click", () => {
    chosen = c.n;
    refresh();
    $("again").focus();
  });
  item.append(button);
  return item;
}

function showRanked(s) {
  $("ranked").hidden = s.candidates.length < 2 || Boolean(s.kept) || s.doing === "identify";
  const text = JSON.stringify(s.candidates);
  if (text === drawn) return;
  drawn = text;
  $("candidates").replaceChildren(...s.candidates.map(candidateItem));
}

function showKept(s) {
  const first = $("kept").hidden && s.kept;
  $("kept").hidden = !s.kept;
  if (!s.kept) return;
  say("kept-said", `The profile ${s.kept.profile} is in ${s.kept.file}.`);
  say("kept-command", s.kept.command);
  if (kept?.file !== s.kept.file) listProfiles();
  kept = s.kept;
  if (first && hadSearch) $("kept").focus();
}

function showSearch(s) {
  if (s.source !== shownFor) {
    shownFor = s.source;
    chosen = 0;
  }
  showHeard(s);
  showSaid(s);
  showRanked(s);
  showMatch(s);
  showKept(s);
  showBusy(s);
  hadSearch = true;
}

// listening to another one

async function use(source, profile, where) {
  say(where, "Changing over …");
  const { data, error } = await ask("/api/connect/use", { source, profile });
  say(where, error ? `Nothing was changed: ${error}` : `Set ${data.set} has begun: ${data.source}, read with ${data.profile}.`);
  look();
  refresh();
}

async function listProfiles() {
  const { data } = await ask("/api/connect/profiles");
  const chosenBefore = $("switch-profile").value || now.profile;
  const options = (data?.profiles ?? []).map((p) => new Option(p.whence === "packaged" ? p.name : `${p.name} (${p.whence})`, p.name));
  $("switch-profile").replaceChildren(...options);
  if (chosenBefore) $("switch-profile").value = chosenBefore;
}

// what is connected now

const ago = (s) => (s === null ? "No reading yet" : s < 1 ? "Just now" : s < 120 ? `${Math.floor(s)} s ago` : `${Math.floor(s / 60)} min ago`);
const COUNTS = [
  ["readings", "Readings taken"],
  ["damaged", "Readings damaged on the way"],
  ["gaps", "Times no reading came when one was due"],
  ["losses", "Times the connection was lost"],
  ["opens", "Times it was connected"],
  ["bytes", "Bytes received"],
  ["clock_steps", "Times the computer's clock was set"],
];

function showStation(station) {
  const [kind, text] = linkWords(station.link.state);
  $("link").dataset.kind = kind;
  say("link", text);
  const why = station.link.why && kind !== "on" ? `: ${station.link.why}` : "";
  say("now-said", station.failure ?? `${text}${why}`);
  say("where", `${station.source}, read with the profile ${station.profile}`);
  if (station.source !== now.source && $("switch-source") !== document.activeElement) $("switch-source").value = station.source;
  now = station;
  const rows = [
    ["Shows", station.shown ? station.shown.replace("-", "−") : "–"],
    ["Last reading", ago(station.age_s)],
    ...COUNTS.map(([key, label]) => [label, String(station.counters[key])]),
  ];
  const list = $("counts");
  if (list.children.length !== 2 * rows.length) {
    list.replaceChildren(...rows.flatMap(([label]) => [element("dt", label), element("dd")]));
  }
  rows.forEach(([, value], i) => {
    const cell = list.children[2 * i + 1];
    if (cell.textContent !== value) cell.textContent = value;
  });
}

// what could stand in the way

const STATES = { wrong: "Wrong", note: "Note", fine: "Fine" };

function findingItem(f) {
  const item = element("li");
  item.dataset.state = f.state;
  const what = element("p");
  what.append(element("strong", `${STATES[f.state] ?? f.state}: `), f.what);
  item.append(what);
  if (f.cure) item.append(element("p", `Cure: ${f.cure}`, "cure"));
  return item;
}

async function examine() {
  say("doctor-said", "Looking …");
  $("examine").disabled = true;
  const { data, error } = await ask("/api/connect/doctor");
  $("examine").disabled = false;
  const found = data?.findings ?? [];
  const order = ["wrong", "note", "fine"];
  found.sort((a, b) => order.indexOf(a.state) - order.indexOf(b.state));
  $("findings").replaceChildren(...found.map(findingItem));
  const wrong = found.filter((f) => f.state === "wrong").length;
  const notes = found.filter((f) => f.state === "note").length;
  const all = wrong || notes ? `${wrong} wrong, ${notes} to note, ${found.length - wrong - notes} fine` : "Nothing stands in the way.";
  say("doctor-said", error ?? all);
}

// the page's own clock

async function refresh() {
  clearTimeout(timer);
  const { data, error } = await ask("/api/connect");
  if (data) {
    showStation(data.station);
    showSearch(data.search);
  } else {
    $("link").dataset.kind = "off";
    say("link", error);
  }
  clearTimeout(timer);
  if (!document.hidden) timer = setTimeout(refresh, data?.search.doing ? QUICK_MS : CALM_MS);
}

$("look").addEventListener("click", look);
$("examine").addEventListener("click", examine);
$("bluetooth").addEventListener("click", () => command("/api/connect/bluetooth"));
$("cancel").addEventListener("click", () => command("/api/connect/cancel"));
$("again").addEventListener("click", () => command("/api/connect/again", { candidate: chosen }));
$("no").addEventListener("click", () => {
  chosen = (chosen + 1) % Math.max(1, $("candidates").children.length);
  refresh();
});
$("other").addEventListener("submit", (e) => {
  e.preventDefault();
  const where = $("source").value.trim();
  if (where) identify(where);
  else $("source").focus();
});
$("keep").addEventListener("submit", (e) => {
  e.preventDefault();
  command("/api/connect/keep", { candidate: chosen, name: $("name").value }, "keep-said");
});
$("use").addEventListener("click", () => use(kept.source, kept.profile, "use-said"));
$("switch").addEventListener("submit", (e) => {
  e.preventDefault();
  use($("switch-source").value.trim(), $("switch-profile").value, "switch-said");
});
$("switch").closest("details").addEventListener("toggle", listProfiles);
document.addEventListener("visibilitychange", () => document.hidden || refresh());

look();
examine();
refresh();
