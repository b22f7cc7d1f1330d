// One field of a form: how it is asked for, what was typed, and what is wrong with it.
import { el, newId } from "./job_dom.js";
import { figures, quantity } from "./job_figures.js";
import { unitWord, unitsOf } from "./job_units.js";
import { has, say } from "./say.js";

const RADIOS = 5;

export function label(kind, field) {
  for (const path of [`job_field_of.${kind}.${field}`, `job_field.${field}`]) if (has(path)) return say(path);
  // A field of another version of the program than this page: its bare name, rather than a page that does not open.
  return field.replaceAll("_", " ");
}

function help(kind, field) {
  for (const path of [`job_help_of.${kind}.${field}`, `job_help.${field}`]) if (has(path)) return say(path);
  return "";
}

export const choiceWord = (field, value) => (has(`job_choice.${field}.${value}`) ? say(`job_choice.${field}.${value}`) : String(value));

// Puts label, help and the place for a refusal around a control.  The control is {root, get, raw, restore, focus, group?}.
export function field(spec, env) {
  const name = spec.field;
  const problem = el("p", { class: "problem", id: newId("problem"), hidden: true });
  const told = help(env.kind, name);
  const hint = told ? el("p", { class: "quiet help", id: newId("help") }, told) : null;
  const control = controlFor(spec, env);
  const said = label(env.kind, name);
  const id = newId("field");
  let root;
  if (control.group) {
    root = el("fieldset", { class: "field", id }, el("legend", {}, said), hint, control.root, problem);
  } else {
    control.input.id = `${id}-in`;
    root = el("div", { class: "field", id }, el("label", { for: control.input.id }, said), hint, control.root, problem);
    control.input.setAttribute("aria-describedby", [hint?.id, problem.id].filter(Boolean).join(" "));
  }
  root.dataset.field = name;
  root.dataset.path = env.path ? `${env.path}.${name}` : name;
  return {
    ...control,
    name,
    root,
    clearProblem() {
      problem.hidden = true;
      problem.textContent = "";
      (control.input ?? root).removeAttribute("aria-invalid");
    },
    setProblem(text) {
      problem.hidden = false;
      problem.textContent = text;
      if (control.input) control.input.setAttribute("aria-invalid", "true");
      else root.setAttribute("aria-describedby", problem.id);
      root.dataset.bad = "true";
    },
  };
}

function controlFor(spec, env) {
  if (spec.type === "list") {
    if (spec.of.type === "figure") return figures(spec, env);
    if (spec.of.type === "table") return env.tables(spec, env);
    if (spec.of.type === "file") return env.photos(spec, env);
    return ticks(spec, env, spec.of.choices?.map((c) => [c, choiceWord(spec.field, c)]) ?? env.names(spec.field) ?? []);
  }
  if (spec.type === "quantity") return quantity(spec, env);
  if (spec.type === "flag") return radios(spec, env, [[true, say("job.yes")], [false, say("job.no")]]);
  if (spec.type === "unit") return radios(spec, env, unitsOf(spec.dimension).map((u) => [u.unit, unitWord(u.unit)]));
  if (spec.type === "choice") {
    const options = spec.choices.map((c) => [c, choiceWord(spec.field, c)]);
    return options.length > RADIOS ? select(spec, env, options) : radios(spec, env, options);
  }
  const names = env.names(spec.field);
  if (names?.length) return select(spec, env, names);
  return plain(spec, env);
}

function plain(spec, env) {
  const long = env.long.includes(spec.field);
  const number = spec.type === "whole" || spec.type === "number";
  const input = long
    ? el("textarea", { rows: 2 })
    : el("input", { type: spec.type === "date" ? "date" : "text", inputmode: number ? "decimal" : null, autocomplete: "off" });
  input.addEventListener("input", env.changed);
  const own = {
    root: input,
    input,
    get: () => (input.value.trim() === "" ? undefined : long ? input.value : input.value.trim()),
    raw: () => input.value || undefined,
    restore: (x) => (input.value = x ?? ""),
    set: (x) => (input.value = x === undefined ? "" : String(x)),
    focus: () => input.focus(),
  };
  const path = `job_suggest.${env.kind}.${spec.field}`;
  if (has(path)) {
    const list = el("datalist", { id: newId("suggest") }, say(path).split("; ").map((value) => el("option", { value })));
    input.setAttribute("list", list.id);
    own.root = el("div", {}, input, list);
  }
  if (env.names(spec.field) === null) return own;
  own.root = el("div", {}, input, el("p", { class: "quiet" }, say("job.no_names")));
  return own;
}

function select(spec, env, options) {
  const input = el(
    "select",
    {},
    el("option", { value: "" }, say(spec.required ? "job.choose" : "job.not_stated")),
    options.map(([value, words]) => el("option", { value }, words)),
  );
  input.addEventListener("change", env.changed);
  return {
    root: input,
    input,
    get: () => input.value || undefined,
    raw: () => input.value || undefined,
    restore: (x) => (input.value = x ?? ""),
    set: (x) => (input.value = x === undefined ? "" : String(x)),
    focus: () => input.focus(),
  };
}

function radios(spec, env, options) {
  const name = newId("choice");
  const all = spec.required ? options : [...options, [null, say("job.not_stated")]];
  const inputs = all.map(([value]) => el("input", { type: "radio", name, checked: value === null, on: { change: env.changed } }));
  const root = el("div", { class: "choices" }, inputs.map((input, i) => el("label", { class: "choice" }, input, ` ${all[i][1]}`)));
  const at = (value) => all.findIndex(([v]) => (v === null ? value === undefined || value === null : String(v) === String(value)));
  const own = {
    root,
    group: true,
    get() {
      const i = inputs.findIndex((x) => x.checked);
      return i < 0 || all[i][0] === null ? undefined : all[i][0];
    },
    raw: () => own.get(),
    restore(x) {
      const i = at(x);
      inputs.forEach((input, k) => (input.checked = k === i));
    },
    focus: () => (inputs.find((x) => x.checked) ?? inputs[0]).focus(),
  };
  own.set = own.restore;
  return own;
}

function ticks(spec, env, options) {
  const inputs = options.map(() => el("input", { type: "checkbox", on: { change: env.changed } }));
  const other = spec.of.type === "name" ? el("input", { type: "text", autocomplete: "off", "aria-label": say("job.by_name"), on: { input: env.changed } }) : null;
  const root = el(
    "div",
    { class: "choices" },
    inputs.map((input, i) => el("label", { class: "choice" }, input, ` ${options[i][1]}`)),
    other ? el("label", { class: "choice other" }, `${say("job.by_name")} `, other) : null,
  );
  const own = {
    root,
    group: true,
    get() {
      const chosen = options.filter((_, i) => inputs[i].checked).map(([v]) => v);
      if (other?.value.trim()) chosen.push(...other.value.trim().split(/[\s,;]+/));
      return chosen.length ? chosen : undefined;
    },
    raw: () => own.get(),
    restore(x) {
      const wanted = new Set(x ?? []);
      inputs.forEach((input, i) => (input.checked = wanted.delete(options[i][0])));
      if (other) other.value = [...wanted].join(" ");
    },
    focus: () => (inputs[0] ?? other)?.focus(),
  };
  own.set = own.restore;
  return own;
}
