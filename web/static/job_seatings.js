// Seatings of a typed set: each with its readings and what belongs to it.
import { el, newId } from "./job_dom.js";
import { field } from "./job_field.js";
import { say } from "./say.js";

const FIRST = ["readings", "push_pull"];
const MORE = ["pinion_angle", "rejected", "accepted_because", "person"];

export function tables(spec, env) {
  const root = el("div", {});
  const all = [];

  function add(values) {
    const fields = {};
    const make = (name) => {
      const inner = spec.of.fields.find((f) => f.field === name);
      fields[name] = field(inner, { ...env, path: spec.field });
      return fields[name].root;
    };
    const legend = newId("seating");
    const box = el(
      "div",
      { class: "seating", role: "group", "aria-labelledby": legend },
      el("p", { class: "lead", id: legend }, say("job.seating", { n: all.length + 1 })),
      FIRST.map(make),
      el("details", {}, el("summary", {}, say("job.more")), MORE.map(make)),
    );
    if (values) for (const [name, x] of Object.entries(values)) fields[name]?.restore(x);
    else if (all.length) fields.readings.restore([[], all[all.length - 1].fields.readings.unit() ?? ""]);
    all.push({ box, fields });
    list.append(box);
    return fields;
  }

  const list = el("div", {});
  const more = el("button", { type: "button", class: "small", on: { click: () => (add().readings.focus(), env.changed()) } }, say("job.add_seating"));
  const less = el(
    "button",
    { type: "button", class: "small", on: { click: () => (all.length > 1 && all.pop().box.remove(), env.changed()) } },
    say("job.take_seating"),
  );
  root.append(list, el("div", { class: "pair" }, more, less));
  const fill = (rows) => {
    list.replaceChildren();
    all.length = 0;
    for (const row of rows) add(row);
    while (all.length < 3) add();
  };
  fill([]);
  const rawOf = ({ fields }) => Object.fromEntries(Object.entries(fields).map(([n, f]) => [n, f.raw()]).filter(([, v]) => v !== undefined));
  return {
    root,
    group: true,
    get() {
      const rows = all
        .map(({ fields }) => {
          const row = Object.fromEntries(Object.entries(fields).map(([n, f]) => [n, f.get()]).filter(([, v]) => v !== undefined));
          if (row.readings && fields.readings.unit()) row.unit = fields.readings.unit();
          return row;
        })
        .filter((row) => Object.keys(row).length);
      return rows.length ? rows : undefined;
    },
    raw() {
      const rows = all.map(rawOf);
      return rows.some((r) => Object.keys(r).length) ? rows : undefined;
    },
    restore: (x) => fill(x ?? []),
    set(rows) {
      fill((rows ?? []).map(() => undefined));
      (rows ?? []).forEach((row, i) => {
        for (const [name, value] of Object.entries(row)) {
          if (name === "readings") all[i].fields.readings.set(value, row.unit);
          else all[i].fields[name]?.set(value);
        }
      });
    },
    focus: () => all[0].fields.readings.focus(),
  };
}
