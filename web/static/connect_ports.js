// What is there: serial ports, and Bluetooth indicators that were heard.
import { $, ask, element, put, searching } from "./connect_dom.js";
import { say } from "./say.js";

let identify = () => null;

// `act` is called with the source that is to be identified.
export const onIdentify = (act) => (identify = act);

// What somebody means who leaves out the kind of source.
export function meant(text) {
  const where = text.trim();
  if (/^\/\S/.test(where) || /^COM\d+$/i.test(where)) return `serial:${where}`;
  return /^[A-Za-z0-9.-]+:\d{1,5}$/.test(where) && !/^(serial|ble):/.test(where) ? `socket://${where}` : where;
}

function identifyButton(source, label) {
  const button = element("button", say("connect.identify"));
  button.type = "button";
  // What is listed while something is looked for waits as the others do.
  button.disabled = searching();
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

export async function look() {
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

export function showHeard(search) {
  if (search.doing === "bluetooth") return put("heard-said", say("connect.doing.bluetooth"));
  const text = JSON.stringify(search.bluetooth);
  if (search.bluetooth === null) return put("heard-said", "");
  const n = search.bluetooth.length;
  put("heard-said", n ? say("connect.heard", { n }) : say("connect.none_heard"));
  if ($("heard").dataset.drawn === text) return;
  $("heard").dataset.drawn = text;
  $("heard").replaceChildren(...search.bluetooth.map(heardItem));
}
