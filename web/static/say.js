// The page's words and numbers in the reader's language: texts from the catalogue, the decimal sign of the place.
import { language, texts } from "/texts.js";

export { language };

const plural = new Intl.PluralRules(language);
const SIGN = new Intl.NumberFormat(navigator.language).formatToParts(1.5).find((p) => p.type === "decimal")?.value ?? ".";

// The text at "page.name" with {names} put in; a plural form is chosen by the value n.
export function say(path, values = {}) {
  let text = path.split(".").reduce((table, name) => table?.[name], texts);
  if (text !== null && typeof text === "object") text = text[plural.select(values.n)] ?? text.other;
  if (typeof text !== "string") throw new Error(`no text ${path}`);
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
}

export const has = (path) => typeof path.split(".").reduce((table, name) => table?.[name], texts) === "string";

// A number as it is read here: a true minus, the decimal sign of the place.
export function number(x, places = 4, sign = false) {
  if (x === null || x === undefined || !Number.isFinite(x)) return "–";
  return (sign && x >= 0 ? "+" : "") + x.toFixed(places).replace("-", "−").replace(".", SIGN);
}

// A sentence composed where the result is, with its decimal points as they are read here.
export const localised = (sentence) => (SIGN === "." ? sentence : sentence.replace(/(\d)\.(?=\d)/g, `$1${SIGN}`));
