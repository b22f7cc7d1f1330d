// The connect screen: what is there, how it speaks, and whether it matches the display.
import { has, localised, say } from "./say.js";
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

// A value as it stood on the display, in the reader's signs.
const shown = (value) => localised(value.replace("-", "−"));

function element(tag, text, kind) {
  const made = document.createElement(tag);
  if (text !== undefined) made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

function put(id, text) {
  // Unchanged words are left alone: a screen reader would say them again.
  if ($(id).textContent !== text) $(id).textContent = text;
}

function trouble(id, text) {
  $(id).hidden = !text;
  put(id, text);
}

async function ask(path, body) {
  const how = body === undefined ? {} : { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  const answer = await fetch(path, how).catch(() => null);
  if (answer === null) return { error: say("connect.no_answer") };
  const data = await answer.json().catch(() => ({}));
  return answer.ok ? { data } : { error: localised(data.detail ?? say("connect.refused", { status: answer.status })) };
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
  const button = element("button", say("connect.identify"));
  button.type = "button";
  // What is listed while something is looked for waits as the others do.
  button.disabled = !$("busy").hidden;
  button.setAttribute("aria-label", say("connect.identify_label", { name: label }));
  button.addEventListener("click", () => identify(source));
  return button;
}

function portItem(p) {
  const item = element("li");
  item.append(element("p", p.device, "thing"));
  if (p.about && p.about !== p.device) item.append(element("p", p.about, "quiet"));
  if (p.stays) {
    item.append(element("p", say(p.sure ? "connect.stays_sure" : "connect.stays_socket", { name: p.stays }), "quiet"));
  }
  if (p.mine) item.append(element("p", say("connect.mine")));
  else if (!p.allowed) item.append(element("p", say("connect.not_allowed", { cure: p.cure })));
  else if (p.held_by.length) item.append(element("p", say("connect.held", { who: p.held_by.join(", "), cure: p.cure })));
  else item.append(element("p", say("connect.free")), identifyButton(p.source, p.device));
  return item;
}

async function look() {
  put("ports-said", say("connect.looking"));
  const { data, error } = await ask("/api/connect/ports");
  $("ports").replaceChildren(...(data?.ports ?? []).map(portItem));
  const n = data?.ports.length;
  put("ports-said", error ?? (n ? say("connect.ports", { n }) : say("connect.no_ports")));
}

function heardItem(h) {
  const item = element("li");
  item.append(element("p", h.name || say("connect.nameless"), "thing"));
  const near = h.strength_dbm > -60 ? "strong" : h.strength_dbm > -80 ? "fair" : "weak";
  item.append(element("p", say(`connect.${near}`, { address: h.address }), "quiet"), identifyButton(h.source, h.name || h.address));
  return item;
}

function showHeard(search) {
  if (search.doing === "bluetooth") return put("heard-said", say("connect.doing.bluetooth"));
  const text = JSON.stringify(search.bluetooth);
  if (search.bluetooth === null) return put("heard-said", "");
  const n = search.bluetooth.length;
  put("heard-said", n ? say("connect.heard", { n }) : say("connect.none_heard"));
  if ($("heard").dataset.drawn === text) return;
  $("heard").dataset.drawn = text;
  $("heard").replaceChildren(...search.bluetooth.map(heardItem));
}

// how it speaks

async function identify(source) {
  chosen = 0;
  // The one in use is only listened to.
  const poll = source === now.source ? null : $("poll").value || null;
  const data = await command("/api/connect/identify", { source, poll });
  if (data) {
    $("search").focus({ preventScroll: true });
    $("search").scrollIntoView({ block: "nearest" });
  }
}

// The settings of a link, such as its speed.
function lineWords(line) {
  if (line.baud) return say("connect.baud", { baud: line.baud, bits: line.bits, parity: say(`connect.parity.${line.parity}`) });
  return line.characteristic ? say("connect.characteristic", { id: line.characteristic }) : "";
}

function showBusy(s) {
  $("busy").hidden = !s.doing;
  for (const button of document.querySelectorAll("#ports button, #heard button, #bluetooth, #other button, #identify-now, #again, #no, #keep button, #candidates button")) {
    button.disabled = Boolean(s.doing);
  }
  if (!s.doing) return;
  $("bar").value = Math.min(1, s.elapsed_s / s.limit_s);
  const parts = [say("connect.elapsed", { s: Math.floor(s.elapsed_s), limit: Math.round(s.limit_s) })];
  const line = lineWords(s.line);
  if (line) parts.push(say("connect.trying", { line }));
  if (s.doing !== "bluetooth") parts.push(s.received ? say("connect.bytes_came", { n: s.received }) : say("connect.nothing_yet"));
  put("busy-said", s.ending ? say("connect.stopping") : parts.join("; "));
}

function showSaid(s) {
  if (s.doing) return put("search-said", say(`connect.doing.${s.doing}`));
  const n = s.candidates.length;
  if (s.said) put("search-said", localised(s.said));
  else if (s.outcome === "nothing" && s.mine && s.received) put("search-said", say("connect.outcome.unexplained_mine", { n: s.received, begin: s.begin, source: s.source }));
  else if (s.outcome === "nothing" && s.mine) put("search-said", say("connect.outcome.nothing_mine"));
  else if (s.outcome === "nothing" && s.received) put("search-said", say("connect.outcome.unexplained", { n: s.received, begin: s.begin }));
  else if (s.outcome === "nothing") put("search-said", say(s.asked ? "connect.outcome.nothing_asked" : "connect.outcome.nothing"));
  else if (has(`connect.outcome.${s.outcome}`)) put("search-said", say(`connect.outcome.${s.outcome}`));
  else if (n) put("search-said", say("connect.ways_of", { n, source: s.source }));
  else if (s.outcome === "scanned") put("search-said", say("connect.choose_heard"));
}

function showMatch(s) {
  const c = s.candidates[chosen] ?? s.candidates[0];
  $("match").hidden = !c || Boolean(s.kept) || s.doing === "identify";
  if (!c) return;
  put("value", shown(c.shown.at(-1)));
  const before = c.shown.slice(0, -1).map(shown);
  const parts = [say("connect.way", { n: c.n + 1, all: s.candidates.length })];
  if (before.length) parts.push(say("connect.before", { values: before.join("; ") }));
  put("value-said", [...parts, say("connect.moved_on")].join(" "));
  $("guess").hidden = !c.guessed.length;
  const what = c.guessed.map((g) => (has(`connect.guessed.${g}`) ? say(`connect.guessed.${g}`) : g)).join(say("connect.and"));
  put("guess", say("connect.guess", { what }));
  $("no").hidden = s.candidates.length < 2;
}

function candidateItem(c) {
  const item = element("li");
  const kind = has(`connect.kind.${c.use}`) ? say(`connect.kind.${c.use}`) : say("connect.own_kind", { name: c.use });
  item.append(element("p", `${shown(c.shown.at(-1))}: ${kind}`, "thing"));
  const facts = [
    lineWords(c.line),
    c.step ? say("connect.step", { step: localised(c.step), unit: c.unit }).trim() : "",
    c.rate ? say("connect.rate", { rate: localised(String(c.rate)) }) : "",
    say("connect.readings", { n: c.readings }),
    say("connect.explained", { percent: c.explained_percent }),
  ];
  item.append(element("p", facts.filter(Boolean).join("; "), "quiet"));
  if (!c.sure) item.append(element("p", say("connect.not_sure"), "quiet"));
  const button = element("button", say("connect.compare"));
  button.type = "button";
  button.setAttribute("aria-label", say("connect.compare_label", { n: c.n + 1, value: shown(c.shown.at(-1)) }));
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
  put("kept-said", say("connect.kept_in", s.kept));
  put("kept-command", s.kept.command);
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
  put(where, say("connect.changing"));
  const { data, error } = await ask("/api/connect/use", { source, profile });
  const parts = error ? [say("connect.unchanged", { why: error })] : [say("connect.changed", data)];
  if (data?.why) parts.push(say("connect.not_kept", { why: localised(data.why) }));
  put(where, parts.join(" "));
  look();
  showChoice();
  refresh();
}

// What the next start begins with.
async function showChoice() {
  const { data } = await ask("/api/connect/choice");
  const c = data?.choice;
  let text = "";
  if (c) text = say(c.in_use ? "connect.begins_with" : "connect.left_aside", c);
  else if (data?.why) text = say("connect.choice_unread", { why: localised(data.why) });
  $("choice").hidden = !text;
  put("choice", text);
}

function profileWords({ name, whence }) {
  if (whence === "packaged") return name;
  return say("connect.profile_from", { name, whence: whence === "your own" ? say("connect.whence.your_own") : whence });
}

async function listProfiles() {
  const { data } = await ask("/api/connect/profiles");
  const chosenBefore = $("switch-profile").value || now.profile;
  const options = (data?.profiles ?? []).map((p) => new Option(profileWords(p), p.name));
  $("switch-profile").replaceChildren(...options);
  if (chosenBefore) $("switch-profile").value = chosenBefore;
}

// what is connected now

function ago(s) {
  if (s === null) return say("connect.ago.never");
  if (s < 1) return say("connect.ago.now");
  return s < 120 ? say("connect.ago.s", { n: Math.floor(s) }) : say("connect.ago.min", { n: Math.floor(s / 60) });
}

// Identities with a number of the open standard are known by that number.
const ASSIGNED = /^0000([0-9a-f]{4})-0000-1000-8000-00805f9b34fb$/;
const known = (uuid) => ASSIGNED.exec(uuid)?.[1].toUpperCase() ?? uuid;

function aboutRows(about) {
  const words = {
    characteristic: known,
    descriptors: (all) => all.map(known).join(", ") || "–",
    delivery: (how) => say(`connect.delivery.${how}`),
    restarts: String,
  };
  return Object.keys(words).filter((key) => key in about).map((key) => [say(`connect.about.${key}`), words[key](about[key])]);
}

const COUNTS = ["readings", "damaged", "gaps", "losses", "opens", "bytes", "clock_steps"];

function showStation(station) {
  const [kind, text] = linkWords(station.link.state);
  $("link").dataset.kind = kind;
  put("link", text);
  const why = station.link.why && kind !== "on" ? `: ${station.link.why}` : "";
  put("now-said", localised(station.failure ?? `${text}${why}`));
  put("where", say("connect.read_with", station));
  if (station.source !== now.source && $("switch-source") !== document.activeElement) $("switch-source").value = station.source;
  now = station;
  const rows = [
    [say("connect.count.shows"), station.shown ? shown(station.shown) : "–"],
    [say("connect.count.last"), ago(station.age_s)],
    ...COUNTS.map((key) => [say(`connect.count.${key}`), String(station.counters[key])]),
    ...aboutRows(station.about),
  ];
  if (station.open) rows.push([say("connect.count.open"), say("connect.open_of", { n: station.open[0], most: station.open[1] })]);
  const list = $("counts");
  if ([...list.querySelectorAll("dt")].map((dt) => dt.textContent).join() !== rows.map(([label]) => label).join()) {
    list.replaceChildren(...rows.flatMap(([label]) => [element("dt", label), element("dd")]));
  }
  rows.forEach(([, value], i) => {
    const cell = list.children[2 * i + 1];
    if (cell.textContent !== value) cell.textContent = value;
  });
}

// what could stand in the way

function findingItem(f) {
  const item = element("li");
  item.dataset.state = f.state;
  const what = element("p");
  what.append(element("strong", `${say(`connect.state.${f.state}`)}: `), localised(f.what));
  item.append(what);
  if (f.cure) item.append(element("p", say("connect.cure", { cure: f.cure }), "cure"));
  return item;
}

async function examine() {
  put("doctor-said", say("connect.looking"));
  $("examine").disabled = true;
  const { data, error } = await ask("/api/connect/doctor");
  $("examine").disabled = false;
  const found = data?.findings ?? [];
  const order = ["wrong", "note", "fine"];
  found.sort((a, b) => order.indexOf(a.state) - order.indexOf(b.state));
  $("findings").replaceChildren(...found.map(findingItem));
  const wrong = found.filter((f) => f.state === "wrong").length;
  const notes = found.filter((f) => f.state === "note").length;
  const all = wrong || notes ? say("connect.finding_counts", { wrong, notes, fine: found.length - wrong - notes }) : say("connect.nothing_wrong");
  put("doctor-said", error ?? all);
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
    put("link", error);
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
$("identify-now").addEventListener("click", () => identify(now.source));
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
showChoice();
