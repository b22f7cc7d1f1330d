// Photos of a job: taken or chosen, kept in the job's folder, named in entries.
import { ask, jobPath } from "./job_api.js";
import { el, newId, typed } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { standing } from "./job_entries.js";
import { localised, say } from "./say.js";

const KINDS = "image/jpeg,image/png,image/webp";

const photosOf = (ctx) => standing(ctx.entries).filter((e) => e.kind === "photo" && !e.withdrawn);
const address = (ctx, name) => jobPath(ctx.job, `/photos/${encodeURIComponent(name)}`);

async function send(ctx, file, of) {
  const query = new URLSearchParams({ name: file.name, of, by: kept.who() });
  return ask(`${jobPath(ctx.job, "/photos")}?${query}`, { method: "POST", raw: file });
}

// A control that sends pictures; `done` is told the name each has in the job's folder.
export function picker(ctx, of, done) {
  const id = newId("photo");
  const status = el("p", { role: "status", class: "quiet" });
  const input = el("input", { type: "file", id, accept: KINDS, multiple: true });
  input.addEventListener("change", async () => {
    for (const file of [...input.files]) {
      status.textContent = say("job_photo.sending", { name: file.name });
      const answer = await send(ctx, file, of());
      if (answer.ok) {
        const { n, data } = answer.data.entry;
        await done(data.file);
        status.textContent = say("job_photo.kept", { name: data.file, n });
      } else {
        const p = answer.data?.problems?.[0];
        if (p?.field === "by") ctx.whoMissing(say("job.refused_at", { given: p.given, allowed: p.allowed }));
        status.textContent = say("job_photo.failed", { why: localised(p ? p.allowed : (answer.data?.detail ?? say("job.not_saved"))) });
      }
    }
    input.value = "";
  });
  return el("div", {}, el("label", { for: id }, say("job_photo.take")), input, status);
}

export function shown(ctx) {
  const all = photosOf(ctx);
  if (!all.length) return el("p", { class: "quiet" }, say("job_photo.none"));
  const alt = (d) => (d.of ? say("job_photo.alt_of", { name: d.file, of: d.of }) : say("job_photo.alt", { name: d.file }));
  return el(
    "ul",
    { class: "photos" },
    all.map(({ data }) =>
      el(
        "li",
        {},
        el("a", { href: address(ctx, data.file) }, el("img", { src: address(ctx, data.file), alt: alt(data), loading: "lazy" })),
        typed(data.of ?? data.file, "p"),
      ),
    ),
  );
}

// The photos of an entry: those of the job to tick, and new ones to add.
export function photos(spec, env) {
  const list = el("div", { class: "choices" });
  const chosen = new Set();
  const draw = () =>
    list.replaceChildren(
      ...[...new Set([...photosOf(env.ctx).map((e) => e.data.file), ...chosen])].map((name) => {
        const input = el("input", { type: "checkbox", checked: chosen.has(name) });
        input.addEventListener("change", () => (input.checked ? chosen.add(name) : chosen.delete(name), env.changed()));
        return el("label", { class: "choice" }, input, " ", typed(name));
      }),
    );
  const done = async (name) => {
    chosen.add(name);
    env.changed();
    await env.ctx.reload();
  };
  draw();
  const own = {
    root: el("div", {}, list, picker(env.ctx, () => say(`job_kind.${env.kind}`), done)),
    group: true,
    get: () => (chosen.size ? [...chosen] : undefined),
    raw: () => own.get(),
    restore(x) {
      chosen.clear();
      for (const name of x ?? []) chosen.add(name);
      draw();
    },
    focus: () => list.querySelector("input")?.focus(),
  };
  own.set = own.restore;
  return own;
}
