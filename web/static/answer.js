// The answer: depth, ruling, where the interval lies on the tolerance, and the shim in a sentence.
import { localised, mm, rulingWords, say } from "./words.js";
import { bare, halfWidth, length, otherUnit, sentence, unit, withHalf } from "./units.js";

const SVG = "http://www.w3.org/2000/svg";

function shape(name, attributes, text) {
  const e = document.createElementNS(SVG, name);
  for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
  if (text !== undefined) e.textContent = text;
  return e;
}

function fill(list, items, make) {
  list.replaceChildren(...items.map(make));
}

const item = (text) => {
  const li = document.createElement("li");
  li.textContent = localised(text);
  return li;
};

// Drawn one to one, so that its words are as large as the page's on a phone too; drawn anew when its room changes.
const drawn = new WeakMap();
const rooms = new ResizeObserver((entries) => {
  for (const e of entries) {
    const d = drawn.get(e.target);
    if (d && Math.abs(e.contentRect.width - d.width) > 1) band(e.target, ...d.of);
  }
});

export function band(svg, depth, tolerance, aim) {
  svg.replaceChildren();
  svg.classList.add("band");
  if (depth?.error_mm === null || depth?.error_mm === undefined || !tolerance) {
    drawn.delete(svg);
    svg.setAttribute("aria-label", say("answer.no_error_yet"));
    svg.style.display = "none";
    return;
  }
  svg.style.display = "";
  const width = Math.max(240, svg.clientWidth || 600);
  if (!drawn.has(svg)) rooms.observe(svg);
  drawn.set(svg, { width: svg.clientWidth, of: [depth, tolerance, aim] });
  svg.setAttribute("viewBox", `0 0 ${width} 122`);
  const half = Math.max(2 * tolerance, 1.25 * Math.min(Math.abs(depth.error_mm) + depth.U95_mm, 5 * tolerance));
  const x = (v) => width / 2 + Math.max(-1, Math.min(1, v / half)) * (width / 2 - 24);
  svg.append(shape("rect", { class: "zone", x: x(-tolerance), y: 30, width: x(tolerance) - x(-tolerance), height: 44, rx: 4 }));
  if (aim) svg.append(shape("rect", { class: "aim", x: x(-aim), y: 34, width: x(aim) - x(-aim), height: 36, rx: 4 }));
  svg.append(shape("line", { class: "axis", x1: 4, y1: 74, x2: width - 4, y2: 74 }));
  svg.append(shape("line", { class: "axis", x1: x(0), y1: 26, x2: x(0), y2: 80 }));
  const places = 3;
  // On a phone, with the set far off, the three would lie on each other: the outer two then stand outward of their ends, and the 0 goes first.
  const room = x(tolerance) - x(0);
  for (const v of room < 52 ? [-tolerance, tolerance] : [-tolerance, 0, tolerance]) {
    const anchor = room < 40 ? (v < 0 ? "end" : "start") : "middle";
    svg.append(shape("text", { class: "mark", x: x(v), y: 98, "text-anchor": anchor }, v === 0 ? "0" : bare(v, places, true)));
  }
  svg.append(shape("text", { x: x(0), y: 117, "text-anchor": "middle" }, unit()));
  svg.append(shape("text", { x: 4, y: 18, "text-anchor": "start" }, `← ${say("answer.too_deep")}`));
  svg.append(shape("text", { x: width - 4, y: 18, "text-anchor": "end" }, `${say("answer.too_far_out")} →`));
  svg.append(shape("line", { class: "span", x1: x(depth.error_mm - depth.U95_mm), y1: 52, x2: x(depth.error_mm + depth.U95_mm), y2: 52 }));
  svg.append(shape("circle", { class: "at", cx: x(depth.error_mm), cy: 52, r: 9 }));
  svg.setAttribute(
    "aria-label",
    say("answer.band", { error: bare(depth.error_mm, 4, true), half: halfWidth(depth.U95_mm), tolerance: bare(tolerance, 3), unit: unit() }),
  );
}

// A chance, never rounded to none or all.
export function percent(p) {
  if (p < 0.001) return say("answer.under", { percent: mm(0.1, 1) });
  if (p > 0.999) return say("answer.over", { percent: mm(99.9, 1) });
  return say("answer.percent", { percent: mm(100 * p, 1) });
}

// "60.0238 mm ± 0.0041", the ruling with the error, and the shim, as text.
export function words(result) {
  const { depth, shim } = result;
  if (depth.distance_mm === null) return { given: false, depth: say("answer.not_given"), other: "", ruling: localised(depth.reason), kind: "", shim: "" };
  const spoken = withHalf(depth.distance_mm, depth.U95_mm, unit());
  const other = withHalf(depth.distance_mm, depth.U95_mm, otherUnit());
  let ruling = say("answer.no_target");
  if (depth.error_mm !== null) {
    const chance = depth.p_within === null ? "" : say("answer.chance", { chance: percent(depth.p_within) });
    const values = { ruling: rulingWords(depth.ruling), error: length(depth.error_mm, 4, true), target: length(depth.target_mm, 3) };
    ruling = say("answer.ruling", values) + chance;
  }
  return { given: true, depth: spoken, other, ruling, kind: depth.ruling, shim: shim === null ? "" : sentence(shim.say) };
}

export function show(page, result, setup) {
  const { depth } = result;
  const said = words(result);
  page.depth.textContent = said.depth;
  page["depth-other"].textContent = said.other;
  page.ruling.dataset.kind = said.kind;
  page.ruling.textContent = said.ruling;
  band(page.band, depth, setup?.tolerance_mm, setup?.aim_mm);
  page.shim.textContent = said.shim;
  page.how.hidden = !said.given;
  fill(page.steps, depth.steps ?? [], item);
  fill(page.notes, [...(depth.notes ?? [])], item);
  fill(page.budget, depth.budget ?? [], (b) => {
    const tr = document.createElement("tr");
    for (const [text, kind] of [[b.name, ""], [mm(1000 * b.u_mm, 2), "num"], [b.source, ""]]) {
      const td = document.createElement("td");
      td.textContent = text;
      if (kind) td.className = kind;
      tr.append(td);
    }
    return tr;
  });
}
