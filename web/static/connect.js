// The connect screen: what is there, how it speaks, and whether it matches the display.
import { $, ask, put, trouble } from "./connect_dom.js";
import { examine, inUse, listProfiles, showChoice, showStation } from "./connect_here.js";
import { look, meant, onIdentify, showHeard } from "./connect_ports.js";
import { choose, chosen, keptProfile, showSearch } from "./connect_search.js";
import { localised, say } from "./say.js";

const QUICK_MS = 300;
const CALM_MS = 1000;

let timer = 0;

async function command(path, body, where = "failure") {
  trouble("failure", "");
  trouble("keep-said", "");
  const { data, error } = await ask(path, body ?? {});
  if (error) trouble(where, error);
  refresh();
  return data;
}

async function identify(source) {
  choose(0);
  // The one in use is only listened to.
  const poll = source === inUse().source ? null : $("poll").value || null;
  const data = await command("/api/connect/identify", { source, poll });
  if (data) {
    $("search").focus({ preventScroll: true });
    $("search").scrollIntoView({ block: "nearest" });
  }
}

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

async function refresh() {
  clearTimeout(timer);
  const { data, error } = await ask("/api/connect");
  if (data) {
    showStation(data.station);
    showHeard(data.search);
    showSearch(data.search, data.station, { again: refresh, newProfile: listProfiles });
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
$("again").addEventListener("click", () => command("/api/connect/again", { candidate: chosen() }));
$("no").addEventListener("click", () => {
  choose((chosen() + 1) % Math.max(1, $("candidates").children.length));
  refresh();
});
$("other").addEventListener("submit", (e) => {
  e.preventDefault();
  const where = meant($("source").value);
  if (where) identify(where);
  else $("source").focus();
});
$("keep").addEventListener("submit", (e) => {
  e.preventDefault();
  command("/api/connect/keep", { candidate: chosen(), name: $("name").value }, "keep-said");
});
$("identify-now").addEventListener("click", () => identify(inUse().source));
$("use").addEventListener("click", () => use(keptProfile().source, keptProfile().profile, "use-said"));
$("switch").addEventListener("submit", (e) => {
  e.preventDefault();
  use(meant($("switch-source").value), $("switch-profile").value, "switch-said");
});
$("switch").closest("details").addEventListener("toggle", listProfiles);
document.addEventListener("visibilitychange", () => document.hidden || refresh());

onIdentify(identify);
look();
examine();
refresh();
showChoice();
