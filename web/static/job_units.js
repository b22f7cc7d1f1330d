// Figures with their units as they are typed, and the same in the other units beside them.
import { number, say } from "./say.js";

let units = {};
const SPELT = { '"': "in", inch: "in", "n.m": "N·m", nm: "N·m", "n·m": "N·m", "n.cm": "N·cm", ncm: "N·cm", "n·cm": "N·cm" };
for (const [word, unit] of [["in", "lb·in"], ["ft", "lb·ft"]]) {
  for (const form of [`lb.${word}`, `lb·${word}`, `lbf·${word}`, `lbf.${word}`, `${word}·lb`, `${word}.lb`, `lbf ${word}`, `lb ${word}`]) SPELT[form] = unit;
}
Object.assign(SPELT, { c: "°C", f: "°F", "°c": "°C", "°f": "°F", lb: "lbf", kg: "kgf", deg: "°", n: "N" });

export const setUnits = (given) => (units = given);
export const unitsOf = (dimension) => units[dimension] ?? [];
export const unitWord = (unit) => say(`job_unit.${unit}`);

function unitNamed(text, dimension) {
  const word = text.trim();
  const spelt = SPELT[word.toLowerCase()] ?? word;
  return unitsOf(dimension).find((u) => u.unit === spelt)?.unit ?? null;
}

// {figure, unit} of a typed text; the unit is null where none is typed, the figure null where it is none.
export function taken(text, dimension) {
  const m = /^\s*([+\-−]?(?:\d+(?:[.,]\d+)?|[.,]\d+))\s*(.*?)\s*$/.exec(text);
  if (!m) return { figure: null, unit: null };
  const unit = m[2] ? unitNamed(m[2], dimension) : null;
  return { figure: m[2] && !unit ? null : m[1].replace("−", "-").replace(",", "."), unit };
}

const places = { mm: 4, in: 5, "N·m": 2, "N·cm": 0, "lb·in": 1, "lb·ft": 2, N: 1, kgf: 2, lbf: 1, "°C": 1, "°F": 1 };
const SHOWN = { length: ["mm", "in"], torque: ["N·m", "lb·in"], force: ["N", "lbf"], temperature: ["°C", "°F"] };

export function inBase(figure, unit, dimension) {
  const u = unitsOf(dimension).find((x) => x.unit === unit);
  return u ? (Number(figure) - u.zero) * u.factor : null;
}

export function fromBase(value, unit, dimension) {
  const u = unitsOf(dimension).find((x) => x.unit === unit);
  return u ? value / u.factor + u.zero : null;
}

export function written(value, unit) {
  return `${number(value, places[unit] ?? 3)} ${unitWord(unit)}`;
}

// The same quantity in the other usual units, such as "0.0362 in"; empty where there is no other.
export function beside(figure, unit, dimension) {
  if (figure === null || !unit || !(dimension in SHOWN)) return "";
  const base = inBase(figure, unit, dimension);
  if (base === null || !Number.isFinite(base)) return "";
  return SHOWN[dimension]
    .filter((u) => u !== unit)
    .map((u) => written(fromBase(base, u, dimension), u))
    .join(", ");
}

// A stored text such as "0.920 mm" with its other unit.
export function both(text, dimension) {
  const { figure, unit } = taken(String(text), dimension);
  const other = beside(figure, unit, dimension);
  // A mean that does not come out even is rounded; what was typed stays as it is.
  const even = figure === null || (figure.split(".")[1] ?? "").length <= 6;
  const own = unit ? (even ? `${figure} ${unitWord(unit)}` : written(Number(figure), unit)) : String(text);
  return other ? `${own} (${other})` : own;
}
