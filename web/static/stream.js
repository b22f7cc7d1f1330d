// The station's events, through the stream that all pages of this browser share, or through one of this page's own.
const NAMES = ["state", "reading", "link", "sweep", "result", "mark", "set", "failure", "interrupted", "end"];
const ANSWER_MS = 3000;
const QUIET_MS = 5000;
const AGAIN_MS = 1000;

// `on` has a function by name of event, and `down()` for no answer and `silent()` for a stream that does not come.
// What happens before the first whole picture is no news.
export function listen(on) {
  let known = false;
  const take = ({ name, data }) => {
    if (name === "down" || name === "silent") {
      known = false;
      on[name]();
      return;
    }
    if (name === "state") known = true;
    if (known) on[name]?.(JSON.parse(data));
  };
  shared(take) || own(take);
}

function shared(take) {
  if (!("SharedWorker" in window)) return false;
  let worker;
  try {
    worker = new SharedWorker("/static/stream_worker.js", { name: "shimwright-stream-2" });
  } catch {
    return false;
  }
  let given = false;
  const giveUp = () => {
    if (given) return;
    given = true;
    worker.port.close();
    own(take);
  };
  const patience = setTimeout(giveUp, ANSWER_MS);
  worker.addEventListener("error", giveUp);
  worker.port.addEventListener("message", (m) => {
    clearTimeout(patience);
    if (!given) m.data.forEach(take);
  });
  worker.port.start();
  worker.port.postMessage("hello");
  window.addEventListener("pagehide", () => worker.port.postMessage("bye"));
  // Back from where the browser keeps pages that were left: whatever happened meanwhile is in the whole picture.
  window.addEventListener("pageshow", (e) => e.persisted && worker.port.postMessage("hello"));
  return true;
}

function own(take) {
  const source = new EventSource("/api/events");
  let watch = setTimeout(() => take({ name: "silent" }), QUIET_MS);
  source.addEventListener("open", () => clearTimeout(watch));
  for (const name of NAMES) source.addEventListener(name, (e) => take({ name, data: e.data }));
  source.addEventListener("error", () => {
    clearTimeout(watch);
    take({ name: "down" });
    if (source.readyState === EventSource.CLOSED) setTimeout(() => own(take), AGAIN_MS);
  });
  window.addEventListener("pagehide", () => source.close());
  return true;
}
