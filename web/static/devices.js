// Which devices are let in: on the computer itself all of them, on a paired device that one.
import { say } from "./say.js";

const $ = (id) => document.getElementById(id);
const EVERY_MS = 2000;
let drawn = "";
let pictured = "";
let chosen = 0;

function put(id, text) {
  // Unchanged words are left alone: a screen reader would say them again.
  if ($(id).textContent !== text) $(id).textContent = text;
}

function element(tag, text, kind) {
  const made = document.createElement(tag);
  made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

async function ask(path, body) {
  const how = body && { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) };
  const answer = await fetch(path, how).catch(() => null);
  const data = await answer?.json().catch(() => ({}));
  const trouble = answer === null ? say("common.not_through") : answer.ok ? "" : (data.detail ?? say("common.not_through"));
  $("failure").hidden = !trouble;
  put("failure", trouble);
  return answer?.ok ? data : null;
}

async function act(path, body = {}) {
  const seen = await ask(path, body);
  if (seen) show(seen);
  return seen;
}

function ago(s) {
  if (s < 60) return say("devices.now");
  return s < 7200 ? say("devices.ago_min", { n: Math.floor(s / 60) }) : say("devices.ago_h", { n: Math.floor(s / 3600) });
}

function button(text, label, what, key = "") {
  const made = element("button", text);
  made.type = "button";
  made.dataset.key = key;
  made.setAttribute("aria-label", label);
  made.addEventListener("click", what);
  return made;
}

function deviceItem(d) {
  const item = document.createElement("li");
  const name = d.name || say("devices.unnamed", { id: d.id });
  const seen = d.seen_s === 0 ? say("devices.is_here") : say("devices.last", { ago: ago(d.seen_s) });
  item.append(element("p", name, "thing"));
  item.append(element("p", say("devices.at", { address: d.address, since: ago(d.since_s), seen }), "quiet"));
  item.append(element("p", say(d.writes ? "devices.may_write" : "devices.may_not_write")));
  const buttons = element("div", "", "pair");
  const other = d.writes ? "let_not" : "let";
  buttons.append(
    button(say(`devices.${other}`), say(`devices.${other}_label`, { name }), () => act(`/api/devices/${d.id}/rights`, { writes: !d.writes }), `rights ${d.id}`),
    button(say("devices.out"), say("devices.out_label", { name }), async () => {
      if (!(await act(`/api/devices/${d.id}/out`))) return;
      put("paired-said", say("devices.shut", { name }));
      $("paired").focus();
    }, `out ${d.id}`),
  );
  item.append(buttons);
  return item;
}

function showCode(seen) {
  const { code, addresses } = seen;
  chosen = Math.min(chosen, Math.max(0, addresses.length - 1));
  $("showing").hidden = $("end").hidden = !code;
  $("show").hidden = !seen.open;
  put("show", say(code ? "devices.show_new" : "devices.show"));
  if (!seen.open) return put("pair-said", say("devices.closed"));
  if (!code) {
    pictured = "";
    return put("pair-said", say(seen.guessed ? "devices.guessed" : "devices.no_code"));
  }
  put("pair-said", "");
  const address = addresses[chosen];
  const minutes = Math.floor(code.left_s / 60);
  put("address", `${address}pair`);
  put("code", code.code);
  put("left", minutes ? say("devices.left", { minutes }) : say("devices.left_short"));
  const wanted = `${code.code} ${address}`;
  if (pictured === wanted) return;
  pictured = wanted;
  $("picture").alt = say("devices.picture", { address, code: code.code });
  $("picture").src = `/api/devices/code.svg?address=${chosen}&for=${encodeURIComponent(code.code)}`;
  const others = addresses.map((a, n) => [a, n]).filter(([, n]) => n !== chosen);
  $("addresses").replaceChildren(
    ...others.map(([a, n]) => {
      const text = say("devices.other_address", { address: a });
      return button(text, text, () => {
        chosen = n;
        showCode(seen);
        $("show").focus();
      });
    }),
  );
}

function showDevices({ devices }) {
  const n = devices.length;
  const said = n ? say("devices.count", { n }) : say("devices.none");
  const text = JSON.stringify(devices.map((d) => [d.id, d.name, d.writes, ago(d.since_s), d.seen_s === 0 || ago(d.seen_s)]));
  if (text === drawn) return;
  drawn = text;
  put("paired-said", said);
  // The list is drawn anew under somebody's hands: the same button keeps the focus.
  const held = document.activeElement?.closest("#devices button")?.dataset.key;
  $("devices").replaceChildren(...devices.map(deviceItem));
  if (held) [...$("devices").querySelectorAll("button")].find((b) => b.dataset.key === held)?.focus();
}

function showPush({ push, addresses }) {
  $("push").hidden = !push || !addresses.length;
  if (!push || !addresses.length) return;
  put("push-how", say("devices.push_how", { address: `${addresses[0]}api/push` }));
  put("push-token", `Authorization: Bearer ${push.token}`);
  put("push-file", say("devices.push_file", { file: push.file }));
}

function show(seen) {
  showCode(seen);
  showDevices(seen);
  showPush(seen);
}

async function refresh() {
  if (document.hidden) return;
  const seen = await ask("/api/devices");
  if (seen) show(seen);
}

async function begin() {
  const me = await ask("/api/pair");
  if (!me) return setTimeout(begin, EVERY_MS);
  if (me.here) {
    for (const id of ["pair", "paired"]) $(id).hidden = false;
    await refresh();
    setInterval(refresh, EVERY_MS);
    return;
  }
  $("own").hidden = false;
  put("own-said", me.name ? say("devices.own_said", { name: me.name }) : say("devices.own_unnamed"));
  put("own-rights", say(me.writes ? "devices.own_may" : "devices.own_may_not"));
}

$("show").addEventListener("click", () => act("/api/devices/code"));
$("end").addEventListener("click", async () => {
  if (await act("/api/devices/code/end")) $("show").focus();
});
$("push-new").addEventListener("click", async () => {
  if (await act("/api/devices/push-token")) put("push-said", say("devices.push_made"));
});
$("leave").addEventListener("click", async () => {
  await fetch("/api/pair/leave", { method: "POST" }).catch(() => null);
  location.replace("/pair");
});
document.addEventListener("visibilitychange", () => !$("paired").hidden && refresh());
begin();
