// Fields that hold measured figures: one with its unit, or rows of them with one unit for all.
import { el, newId } from "./job_dom.js";
import * as kept from "./job_kept.js";
import { beside, taken, unitWord, unitsOf } from "./job_units.js";
import { say } from "./say.js";

function unitSelect(dimension, env, own = false) {
  const input = el(
    "select",
    { class: "unit-choice", "aria-label": say("job_field.unit") },
    el("option", { value: "" }, say("job.unit_missing")),
    unitsOf(dimension).map((u) => el("option", { value: u.unit }, unitWord(u.unit))),
  );
  const last = own ? null : kept.lastUnit(env.job, dimension);
  if (last) input.value = last;
  input.addEventListener("change", () => {
    if (input.value && !own) env.unitChosen(dimension, input.value);
    env.changed();
  });
  return input;
}

// A figure that is typed, its unit typed with it or chosen beside it; the same in the other units is said below.
export function quantity(spec, env) {
  const input = el("input", { type: "text", inputmode: spec.signed ? null : "decimal", autocomplete: "off" });
  // What is printed in the other unit goes its own way.
  const own = spec.field.startsWith("also_");
  const unit = unitSelect(spec.dimension, env, own);
  const other = el("output", { class: "beside" });
  const show = () => {
    const t = taken(input.value, spec.dimension);
    const same = beside(t.figure, t.unit ?? unit.value, spec.dimension);
    other.textContent = same && say("job.same_as", { other: same });
  };
  const split = () => {
    const t = taken(input.value, spec.dimension);
    if (t.unit && t.figure !== null) {
      unit.value = t.unit;
      input.value = t.figure;
      if (!own) env.unitChosen(spec.dimension, t.unit);
    }
    show();
  };
  input.addEventListener("input", () => (show(), env.changed()));
  input.addEventListener("change", () => (split(), env.changed()));
  unit.addEventListener("change", show);
  return {
    root: el("div", { class: "quantity" }, input, unit, other),
    input,
    // A unit chosen once stands ready in the fields that are still empty, seen before a figure is typed there.
    adopt(dimension, chosen) {
      if (!own && dimension === spec.dimension && !unit.value && !input.value) unit.value = chosen;
    },
    get() {
      const text = input.value.trim();
      if (text === "") return undefined;
      const t = taken(text, spec.dimension);
      return t.unit || !unit.value || t.figure === null ? text.replace("−", "-") : `${t.figure} ${unit.value}`;
    },
    raw: () => (input.value ? [input.value, unit.value] : undefined),
    restore(x) {
      input.value = x?.[0] ?? "";
      if (x) unit.value = x[1];
      show();
    },
    set(x) {
      input.value = x === undefined ? "" : String(x);
      split();
    },
    focus: () => input.focus(),
  };
}

const UNSIGNED = ["backlash", "piece", "gearset"];
const ROW_WORD = { places: "job.place", readings: "job.place", head_heights: "job.spot" };

// Rows of figures with one unit for all; gives its own field and the field `unit`.
export function figures(spec, env) {
  const word = env.kind === "piece" ? "job.spot" : env.kind === "set" ? "job.pass" : ROW_WORD[spec.field];
  const least = Math.max(spec.fewest, { places: 4, readings: env.kind === "set" ? 3 : 1 }[spec.field] ?? 1);
  const unit = unitSelect("length", env);
  const rows = el("ol", { class: "figures" });
  const values = () => [...rows.querySelectorAll("input")].map((i) => i.value.trim());
  const show = () => {
    for (const row of rows.children) {
      const t = taken(row.querySelector("input").value, "length");
      const same = beside(t.figure, t.unit ?? unit.value, "length");
      row.querySelector("output").textContent = same && say("job.same_as", { other: same });
    }
  };
  const changed = () => (show(), env.changed());
  unit.addEventListener("change", show);

  function add(value = "") {
    const n = rows.children.length + 1;
    // Readings of a display have a sign, which the keys for figures of a telephone lack.
    const input = el("input", { type: "text", inputmode: UNSIGNED.includes(env.kind) ? "decimal" : null, autocomplete: "off", id: newId("figure"), value });
    const row = el("li", {}, el("label", { for: input.id }, say(word, { n })), input, el("output", { class: "beside" }));
    input.addEventListener("input", changed);
    input.addEventListener("keydown", (e) => {
      if (e.key !== "Enter" || e.ctrlKey || input.value.trim() === "") return;
      e.preventDefault();
      const next = row.nextElementSibling ?? (rows.children.length < spec.most ? add() : null);
      next?.querySelector("input").focus();
    });
    input.addEventListener("paste", (e) => {
      const parts = e.clipboardData.getData("text").trim().split(/[\s;]+/);
      if (parts.length < 2) return;
      e.preventDefault();
      let at = row;
      for (const part of parts.slice(0, spec.most)) {
        at ??= add();
        at.querySelector("input").value = part;
        at = at.nextElementSibling;
      }
      changed();
    });
    rows.append(row);
    return row;
  }
  function fill(list) {
    rows.replaceChildren();
    for (const value of list) add(value);
    while (rows.children.length < least) add();
    show();
  }
  fill([]);
  const more = el("button", { type: "button", class: "small", on: { click: () => (add().querySelector("input").focus(), changed()) } }, say("job.add_place"));
  const less = el(
    "button",
    { type: "button", class: "small", on: { click: () => (rows.children.length > 1 && rows.lastElementChild.remove(), changed()) } },
    say("job.take_place"),
  );
  const unitId = newId("unit");
  unit.id = unitId;
  return {
    root: el("div", {}, el("label", { for: unitId }, say("job_field.unit")), unit, rows, el("div", { class: "pair" }, more, less)),
    group: true,
    withUnit: true,
    unit: () => unit.value || undefined,
    adopt(dimension, chosen) {
      if (dimension === "length" && !unit.value && !values().some(Boolean)) unit.value = chosen;
    },
    get() {
      const given = values().filter(Boolean);
      return given.length ? given.map((v) => v.replace("−", "-")) : undefined;
    },
    raw: () => (values().some(Boolean) ? [values(), unit.value] : undefined),
    restore(x) {
      fill(x?.[0] ?? []);
      if (x) unit.value = x[1];
      show();
    },
    set(list, named) {
      fill((list ?? []).map(String));
      if (named) unit.value = named;
      show();
    },
    focus: () => unit.value ? rows.querySelector("input").focus() : unit.focus(),
  };
}
