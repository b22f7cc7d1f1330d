// How it speaks: what a search found, whether it matches the display, and the profile that is kept.
import { $, element, put, shown } from "./connect_dom.js";
import { has, localised, say } from "./say.js";

const found = { chosen: 0, shownFor: "", drawn: "", kept: null, had: false };

export const chosen = () => found.chosen;
export const keptProfile = () => found.kept;
export const choose = (n) => (found.chosen = n);

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
  if (s.kept) return put("search-said", say("connect.kept"));
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
  const c = s.candidates[found.chosen] ?? s.candidates[0];
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

function candidateItem(c, again) {
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
    found.chosen = c.n;
    again();
    $("again").focus();
  });
  item.append(button);
  return item;
}

function showRanked(s, again) {
  $("ranked").hidden = s.candidates.length < 2 || Boolean(s.kept) || s.doing === "identify";
  const text = JSON.stringify(s.candidates);
  if (text === found.drawn) return;
  found.drawn = text;
  $("candidates").replaceChildren(...s.candidates.map((c) => candidateItem(c, again)));
}

function showKept(s, station, newProfile) {
  const first = $("kept").hidden && s.kept;
  $("kept").hidden = !s.kept;
  if (!s.kept) return;
  put("kept-said", say("connect.kept_in", s.kept));
  put("kept-command", s.kept.command);
  // Once it is in use there is only the work left to do.
  const inUse = station.source === s.kept.source && station.profile === s.kept.profile;
  const button = $("use").parentElement;
  if (inUse && button.contains(document.activeElement)) $("kept").focus();
  button.hidden = inUse;
  $("kept-then").hidden = inUse;
  $("kept-work").hidden = !inUse;
  const news = found.kept?.file !== s.kept.file;
  found.kept = s.kept;
  if (news) newProfile();
  if (first && found.had) $("kept").focus();
}

// `again` draws anew after another way was chosen; `newProfile` is called when one was kept.
export function showSearch(s, station, { again, newProfile }) {
  if (s.source !== found.shownFor) {
    found.shownFor = s.source;
    found.chosen = 0;
  }
  showSaid(s);
  showRanked(s, again);
  showMatch(s);
  showKept(s, station, newProfile);
  showBusy(s);
  found.had = true;
}
