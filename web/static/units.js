// Lengths in the unit the person thinks in, and sentences from the server likewise.
import { localised, number } from "./say.js";
import * as settings from "./settings.js";

const MM = 25.4;
let stated = "mm";

// What "as the indicator" means: the unit of the set-up, or else of the readings.
export function learn(setup, reading) {
  stated = setup?.units ?? reading?.unit ?? stated;
}

export const unit = () => (settings.get("unit") === "auto" ? stated : settings.get("unit"));
export const otherUnit = () => (unit() === "mm" ? "in" : "mm");

// An inch has one digit more: 0.0001 mm and 0.00001 in are of a size.
function figure(mm, places, sign, as, up) {
  const [x, digits] = as === "in" ? [mm / MM, places + 1] : [mm, places];
  // An interval does not shrink in the printing.
  const shown = up && Number.isFinite(x) ? Math.ceil(x * 10 ** digits - 1e-9) / 10 ** digits : x;
  return number(mm === null || mm === undefined ? null : shown, digits, sign);
}

export const bare = (mm, places = 4, sign = false) => figure(mm, places, sign, unit(), false);
export const length = (mm, places = 4, sign = false) => `${bare(mm, places, sign)} ${unit()}`;
export const halfWidth = (mm, places = 4) => figure(mm, places, false, unit(), true);

// "60.0238 mm ± 0.0041" in one unit.
export const withHalf = (mm, half, as, places = 4) => `${figure(mm, places, false, as, false)} ${as} ± ${figure(half, places, false, as, true)}`;

// A reading as the display shows it, in the unit wanted; `same` if that is what the display shows itself.
export function reading(r) {
  const [digits, shown] = r.shown.split(" ");
  if (shown === unit()) return { digits: localised(digits.replace("-", "−")), unit: shown, same: true };
  const step = r.unit === "in" ? r.step * MM : r.step;
  // As fine as the display itself: a step of 0.001 mm and one of 0.00005 in go together.
  const places = Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)) + (unit() === "in" ? 2 : 0);
  return { digits: number(unit() === "in" ? r.value_mm / MM : r.value_mm, places), unit: unit(), same: false };
}

const PAIR = /([+−-]?\d+(?:\.\d+)?) (mm|in) \(([+−-]?\d+(?:\.\d+)?) (mm|in)\)/g;
// Inches alone are left: "in" is a word as well.
const ALONE = /(±?)([+−-]?)(\d+\.\d+) mm\b/g;

// A sentence of the server: where a length stands in both units, the wanted one comes first; where it stands in millimetres only, it is
// turned over for who thinks in inches.
export function sentence(text) {
  const want = unit();
  const kept = [];
  let out = text.replace(PAIR, (_, a, ua, b, ub) => {
    kept.push(ua === want ? `${a} ${ua} (${b} ${ub})` : `${b} ${ub} (${a} ${ua})`);
    return `\u0000${kept.length - 1}\u0000`;
  });
  if (want === "in") {
    out = out.replace(ALONE, (_, half, sign, digits) => {
      const places = digits.split(".")[1].length + 1;
      const x = Number(digits) / MM;
      return `${half}${sign}${(half ? Math.ceil(x * 10 ** places - 1e-9) / 10 ** places : x).toFixed(places)} in`;
    });
  }
  return localised(out.replace(/\u0000(\d+)\u0000/g, (_, n) => kept[n]));
}
