// The indicator that is listened to, what the next start begins with, and what could stand in the way.
import { $, ask, element, put, shown } from "./connect_dom.js";
import { localised, say } from "./say.js";
import { linkWords } from "./words.js";

let now = {};

// Where what is listened to comes from, and the profile it is read with.
export const inUse = () => now;

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

const COUNTS = ["damaged", "gaps", "losses", "opens", "bytes", "clock_steps"];

export function showStation(station) {
  const [kind, text] = linkWords(station.link.state);
  $("link").dataset.kind = kind;
  put("link", text);
  const why = station.link.why && kind !== "on" ? `: ${station.link.why}` : "";
  const none = station.source === "none";
  put("now-said", none ? say("connect.none_yet") : localised(station.failure ?? `${text}${why}`));
  put("where", none ? "" : say("connect.read_with", station));
  for (const id of ["identify-now", "identify-now-help", "counts", "then-job"]) $(id).hidden = none;
  if (station.source !== now.source && !none && $("switch-source") !== document.activeElement) $("switch-source").value = station.source;
  now = station;
  const first = [
    [say("connect.count.shows"), station.shown ? shown(station.shown) : "–"],
    [say("connect.count.last"), ago(station.age_s)],
    [say("connect.count.readings"), String(station.counters.readings)],
  ];
  const rest = [...COUNTS.map((key) => [say(`connect.count.${key}`), String(station.counters[key])]), ...aboutRows(station.about)];
  if (station.open) rest.push([say("connect.count.open"), say("connect.open_of", { n: station.open[0], most: station.open[1] })]);
  showRows($("counts-first"), first);
  showRows($("counts-more"), rest);
}

function showRows(list, rows) {
  if ([...list.querySelectorAll("dt")].map((dt) => dt.textContent).join() !== rows.map(([label]) => label).join()) {
    list.replaceChildren(...rows.flatMap(([label]) => [element("dt", label), element("dd")]));
  }
  rows.forEach(([, value], i) => {
    const cell = list.children[2 * i + 1];
    if (cell.textContent !== value) cell.textContent = value;
  });
}

// What the next start begins with.
export async function showChoice() {
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

export async function listProfiles() {
  const { data } = await ask("/api/connect/profiles");
  const chosenBefore = $("switch-profile").value || now.profile;
  const options = (data?.profiles ?? []).map((p) => new Option(profileWords(p), p.name));
  $("switch-profile").replaceChildren(...options);
  if (chosenBefore) $("switch-profile").value = chosenBefore;
}

function findingItem(f) {
  const item = element("li");
  item.dataset.state = f.state;
  const what = element("p");
  what.append(element("strong", `${say(`connect.state.${f.state}`)}: `), localised(f.what));
  item.append(what);
  if (f.cure) item.append(element("p", say("connect.cure", { cure: f.cure }), "cure"));
  return item;
}

export async function examine() {
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
