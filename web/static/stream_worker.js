// One event stream for all pages of a browser: over HTTP/1.1 a browser opens six at most, and the seventh page would hear nothing.
const NAMES = ["state", "reading", "link", "sweep", "result", "mark", "set", "failure", "interrupted", "end"];
const AGAIN_MS = 1000;
const QUIET_MS = 5000;

const ports = new Set();
let up = false;
let watch = 0;
let waiting = [];

// What the program sent in one piece goes on in one piece.
function tell(message) {
  if (waiting.push(message) === 1) setTimeout(flush, 0);
}

function flush() {
  const messages = waiting;
  waiting = [];
  for (const port of ports) port.postMessage(messages);
}

function open() {
  const source = new EventSource("/api/events");
  clearTimeout(watch);
  watch = setTimeout(() => tell({ name: "silent" }), QUIET_MS);
  source.addEventListener("open", () => {
    clearTimeout(watch);
    up = true;
  });
  for (const name of NAMES) source.addEventListener(name, (e) => tell({ name, data: e.data }));
  source.addEventListener("error", () => {
    up = false;
    clearTimeout(watch);
    tell({ name: "down" });
    // It tries again by itself unless the answer was no stream at all.
    if (source.readyState === EventSource.CLOSED) setTimeout(open, AGAIN_MS);
  });
}

// A page that comes later is given the whole picture first.
async function picture(port) {
  if (!up) return;
  const answer = await fetch("/api/state").catch(() => null);
  if (answer?.ok) port.postMessage([{ name: "state", data: await answer.text() }]);
}

self.addEventListener("connect", (e) => {
  const port = e.ports[0];
  port.addEventListener("message", (m) => {
    if (m.data === "bye") ports.delete(port);
    else {
      ports.add(port);
      port.postMessage([]);
      picture(port);
    }
  });
  port.start();
});

open();
