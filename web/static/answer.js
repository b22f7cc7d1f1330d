// The answer: depth, ruling, where the interval lies on the tolerance, and the shim in a sentence.
import { localised, mm, rulingWords, say } from "./words.js";

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

export function band(svg, depth, tolerance, aim) {
  svg.replaceChildren();
  if (depth?.error_mm === null || depth?.error_mm === undefined || !tolerance) {
    svg.setAttribute("aria-label", say("answer.no_error_yet"));
    svg.style.display = "none";
    return;
  }
  svg.style.display = "";
  const half = Math.max(2 * tolerance, 1.25 * Math.min(Math.abs(depth.error_mm) + depth.U95_mm, 5 * tolerance));
  const x = (v) => 300 + Math.max(-1, Math.min(1, v / half)) * 270;
  svg.append(shape("rect", { class: "zone", x: x(-tolerance), y: 30, width: x(tolerance) - x(-tolerance), height: 44, rx: 4 }));
  if (aim) svg.append(shape("rect", { class: "aim", x: x(-aim), y: 34, width: x(aim) - x(-aim), height: 36, rx: 4 }));
  svg.append(shape("line", { class: "axis", x1: 20, y1: 74, x2: 580, y2: 74 }));
  svg.append(shape("line", { class: "axis", x1: x(0), y1: 26, x2: x(0), y2: 80 }));
  for (const [v, anchor] of [[-tolerance, "middle"], [0, "middle"], [tolerance, "middle"]]) {
    svg.append(shape("text", { x: x(v), y: 99, "text-anchor": anchor }, v === 0 ? "0" : mm(v, 3, true)));
  }
  svg.append(shape("text", { x: 20, y: 20, "text-anchor": "start" }, `← ${say("answer.too_deep")}`));
  svg.append(shape("text", { x: 580, y: 20, "text-anchor": "end" }, `${say("answer.too_far_out")} →`));
  svg.append(shape("line", { class: "span", x1: x(depth.error_mm - depth.U95_mm), y1: 52, x2: x(depth.error_mm + depth.U95_mm), y2: 52 }));
  svg.append(shape("circle", { class: "at", cx: x(depth.error_mm), cy: 52, r: 9 }));
  svg.setAttribute(
    "aria-label",
    say("answer.band", { error: mm(depth.error_mm, 4, true), half: mm(depth.U95_mm), tolerance: mm(tolerance, 3) }),
  );
}

export function show(page, result, setup) {
  const { depth, shim } = result;
  const ok = depth.distance_mm !== null;
  page.depth.textContent = ok ? `${mm(depth.distance_mm)} mm ± ${mm(depth.U95_mm)}` : say("answer.not_given");
  page.ruling.dataset.kind = ok ? depth.ruling : "";
  if (!ok) page.ruling.textContent = localised(depth.reason);
  else if (depth.error_mm === null) page.ruling.textContent = say("answer.no_target");
  else {
    const chance = depth.p_within === null ? "" : say("answer.chance", { percent: mm(100 * depth.p_within, 1) });
    page.ruling.textContent =
      say("answer.ruling", { ruling: rulingWords(depth.ruling), error: mm(depth.error_mm, 4, true), target: mm(depth.target_mm, 3) }) + chance;
  }
  band(page.band, depth, setup?.tolerance_mm, setup?.aim_mm);
  page.shim.textContent = shim === null ? "" : localised(shim.say);
  page.how.hidden = !ok;
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
