// Pictures of the job: which way mark and shim move the pinion, backlash round the ring, where the pattern lies.
import { svg } from "./job_dom.js";
import { unitWord } from "./job_units.js";
import { number, say } from "./say.js";

const text = (x, y, words, more = {}) => {
  const t = svg("text", { x, y, ...more });
  t.textContent = words;
  return t;
};

function arrow(kind, x0, x1, y) {
  const back = x1 > x0 ? -9 : 9;
  return svg("g", { class: kind }, svg("line", { x1: x0, y1: y, x2: x1, y2: y }), svg("path", { d: `M${x1 + back} ${y - 7}L${x1} ${y}L${x1 + back} ${y + 7}` }));
}

// plus and thicker: "out", "in" or null; target: a text or null.
export function markSketch({ plus, thicker, target }) {
  const plusSaid = say(`job_mark.plus_${plus ?? "open"}`);
  const thickerSaid = say(`job_mark.thicker_${thicker ?? "open"}`);
  const out = svg("svg", {
    class: "sketch",
    viewBox: "0 0 360 232",
    role: "img",
    "aria-label": say("job_mark.sketch", { plus: plusSaid, thicker: thickerSaid }),
    "data-plus": plus ?? "open",
    "data-thicker": thicker ?? "open",
  });
  out.append(
    svg("line", { class: "axis", x1: 40, y1: 14, x2: 40, y2: 208 }),
    text(6, 227, say("job_mark.axis")),
    svg("path", { class: "part", d: "M130 86L178 68V152L130 134Z" }),
    svg("path", { class: "part", d: "M178 96H340V124H178Z" }),
    text(258, 115, say("job_mark.pinion"), { "text-anchor": "middle" }),
    svg("path", { class: "measure", d: "M40 110H130M47 105L40 110L47 115M123 105L130 110L123 115" }),
  );
  if (target) out.append(text(85, 102, target, { "text-anchor": "middle", class: "strong" }));
  out.append(text(50, 28, plusSaid));
  if (plus) out.append(arrow("mark-arrow", 130, plus === "out" ? 196 : 64, 48));
  out.append(text(50, 204, thickerSaid));
  if (thicker) out.append(arrow("shim-arrow", 152, thicker === "out" ? 218 : 86, 176));
  return out;
}

const MIDDLE = 160;
const REACH = 96;

// Values round the ring.  Each of `values` is a figure in `unit`; low and high are limits in the same unit or null.
export function ring(values, unit, { low = null, high = null, zeroed = false } = {}) {
  const places = values.map((v, i) => say("job_ring.place", { n: i + 1, value: number(v, unit === "in" ? 4 : 3), unit: unitWord(unit) }));
  const out = svg("svg", { class: "sketch ring", viewBox: "-50 26 420 268", role: "img", "aria-label": say("job_ring.picture", { places: places.join("; ") }) });
  const mean = values.reduce((a, b) => a + b, 0) / values.length;
  const wide = Math.max(...values.map((v) => Math.abs(v - mean)), 1e-9);
  const most = Math.max(...values, high ?? 0);
  const radius = (v) => (zeroed ? 62 + (34 * (v - mean)) / wide : 26 + ((REACH - 26) * v) / most);
  const at = (v, i) => {
    const a = (2 * Math.PI * i) / values.length - Math.PI / 2;
    return [MIDDLE + radius(v) * Math.cos(a), MIDDLE + radius(v) * Math.sin(a), a];
  };
  out.append(svg("circle", { class: "edge", cx: MIDDLE, cy: MIDDLE, r: REACH + 8 }), svg("circle", { class: "edge", cx: MIDDLE, cy: MIDDLE, r: 12 }));
  for (const [limit, name] of [[low, "low"], [high, "high"]]) {
    if (limit !== null && limit > 0) out.append(svg("circle", { class: `limit ${name}`, cx: MIDDLE, cy: MIDDLE, r: radius(limit) }));
  }
  const points = values.map(at);
  out.append(svg("polygon", { class: "round", points: points.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" ") }));
  points.forEach(([x, y, a], i) => {
    const bad = (low !== null && values[i] < low) || (high !== null && values[i] > high);
    out.append(
      bad ? svg("rect", { class: "point bad", x: x - 7, y: y - 7, width: 14, height: 14 }) : svg("circle", { class: "point", cx: x, cy: y, r: 6 }),
    );
    const side = Math.abs(Math.cos(a)) < 0.3 ? "middle" : Math.cos(a) > 0 ? "start" : "end";
    const far = REACH + 16;
    out.append(text(MIDDLE + far * Math.cos(a), MIDDLE + far * Math.sin(a) + 5, `${i + 1}: ${number(values[i], unit === "in" ? 4 : 3)}`, { "text-anchor": side }));
  });
  return out;
}

const ACROSS = { high: 60, low: 108 };
const ALONG = { toe: 90, heel: 210 };

// Where the pattern lies on a tooth of the ring gear: words such as ["high", "toe"].
export function tooth(side, words) {
  const said = words?.length ? words.map((w) => say(`job_choice.drive.${w}`)).join(", ") : say("job_pattern.open");
  const out = svg("svg", { class: "sketch tooth", viewBox: "0 0 300 154", role: "img", "aria-label": say("job_pattern.sketch", { side: say(`job_pattern.${side}`), words: said }) });
  out.append(
    text(4, 14, say(`job_pattern.${side}`), { class: "strong" }),
    text(150, 34, say("job_pattern.high"), { "text-anchor": "middle" }),
    svg("path", { class: "part", d: "M46 50L250 40V128L46 118Z" }),
    text(4, 90, say("job_pattern.toe")),
    text(296, 90, say("job_pattern.heel"), { "text-anchor": "end" }),
    text(150, 148, say("job_pattern.low"), { "text-anchor": "middle" }),
  );
  if (words?.length) {
    const x = words.map((w) => ALONG[w]).find(Boolean) ?? 152;
    const y = words.map((w) => ACROSS[w]).find(Boolean) ?? 84;
    out.append(svg("ellipse", { class: "patch", cx: x, cy: y, rx: 42, ry: 13 }));
  }
  return out;
}
