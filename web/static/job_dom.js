// Small helpers to build the job page's elements.
import { localised } from "./say.js";
import { sentence } from "./units.js";

let made = 0;

// An element with properties, attributes (names with a dash, or "role" and "for") and children; null children are left out.
export function el(name, given = {}, ...children) {
  const e = document.createElement(name);
  for (const [key, value] of Object.entries(given)) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "class") e.className = value;
    else if (key === "on") for (const [event, act] of Object.entries(value)) e.addEventListener(event, act);
    else if (key === "data") Object.assign(e.dataset, value);
    else if (/-|^(role|for|type|inputmode|scope|href|tabindex|download|autocomplete|list|src|alt|loading)$/.test(key)) e.setAttribute(key, value === true ? "" : value);
    else e[key] = value;
  }
  e.append(...children.flat(Infinity).filter((c) => c !== null && c !== undefined && c !== false));
  return e;
}

export function svg(name, attributes = {}, ...children) {
  const e = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  e.append(...children.flat());
  return e;
}

// A sentence composed where the result is, and words that somebody typed: neither comes out of the catalogue.
export const told = (words, kind = null, tag = "p") => el(tag, { class: kind, data: { from: "program" } }, sentence(String(words)));
export const typed = (words, tag = "span") => el(tag, { data: { from: "person" } }, localised(String(words)));

export const newId = (stem) => `${stem}-${(made += 1)}`;

export function table(head, rows, numbers = []) {
  const cell = (tag, text, i, more = {}) => el(tag, { class: numbers.includes(i) ? "num" : null, ...more }, text);
  return el(
    "div",
    { class: "scroll" },
    el(
      "table",
      { class: "cards" },
      el("thead", {}, el("tr", {}, head.map((h, i) => cell("th", h, i, { scope: "col" })))),
      el("tbody", {}, rows.map((r) => el("tr", {}, r.map((c, i) => cell("td", c, i, { data: { label: head[i] } }))))),
    ),
  );
}
