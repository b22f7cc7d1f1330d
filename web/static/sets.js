// Whether the sweeps agree, bearing play, and the list of sweeps.
import { localised, mm, reasonText, say } from "./words.js";
import { late } from "./verdict.js";
import { bare, halfWidth, length, sentence, unit } from "./units.js";

export function agree(page, result, setup) {
  const s = result.set;
  const facts = [];
  if (s.accepted === 0) page.agree.textContent = say(s.rejected ? "sets.none_good" : "sweep.no_good_sweep");
  else {
    const limit = length(s.repeatability_limit_mm, 3);
    const tolerance = setup?.tolerance_mm;
    page.agree.textContent = tolerance ? say("sets.agree_tolerance", { limit, tolerance: length(tolerance, 3) }) : say("sets.agree", { limit });
    facts.push([say("sets.counted"), say("sets.of", { n: s.accepted, all: s.accepted + s.rejected })]);
    facts.push([say("sets.seatings"), `${s.seats}`]);
    facts.push([say("sets.scatter"), length(s.sd_mm, 4)]);
    if (s.seat_sd_mm !== null) facts.push([say("sets.scatter_seatings"), length(s.seat_sd_mm, 4)]);
    if (s.drift_mm_per_min !== null && s.drift_p !== null && s.drift_p < 0.01) {
      facts.push([say("sets.drift"), say("sets.a_minute", { drift: length(s.drift_mm_per_min, 4, true) })]);
    }
    for (const n of s.notes) facts.push([say("sets.note"), localised(n)]);
  }
  page.facts.replaceChildren(
    ...facts.flatMap(([name, value]) => {
      const dt = document.createElement("dt");
      const dd = document.createElement("dd");
      dt.textContent = name;
      dd.textContent = value;
      return [dt, dd];
    }),
  );
  page.play.dataset.kind = result.play.finding;
  page.play.textContent = sentence(result.play.say);
}

// `choose(n)` shows the figure of sweep n.
export function list(head, body, sweeps, shown, choose) {
  const columns = ["n", "seat", "way", "minimum", "give", "counted"].map((name) => say(`sweep.column.${name}`, { unit: unit() }));
  columns.forEach((text, i) => (head.cells[i].textContent = text));
  body.replaceChildren(
    ...[...sweeps].reverse().map((s) => {
      const tr = document.createElement("tr");
      tr.className = s.accepted ? "yes" : late(s) ? "late" : "no";
      const button = document.createElement("button");
      button.type = "button";
      button.className = "row";
      button.textContent = s.n;
      button.setAttribute("aria-label", say("sweep.show_sweep", { n: s.n }));
      if (s.n === shown) button.setAttribute("aria-current", "true");
      button.addEventListener("click", () => choose(s.n));
      const why = late(s) ? reasonText(s.reasons.slice(0, 1)) : reasonText(s.reasons);
      const cells = [
        [button, "num"],
        [s.seat, "num"],
        [say(`sets.way_${s.heading}`), ""],
        [bare(s.minimum_mm), "num"],
        [s.u_mm === null ? mm(null) : halfWidth(2 * s.u_mm), "num"],
        [s.accepted ? say("sets.yes") : say("sets.no", { why }), ""],
      ];
      cells.forEach(([content, kind], i) => {
        const td = document.createElement("td");
        td.append(content);
        td.dataset.label = columns[i];
        if (kind) td.className = kind;
        tr.append(td);
      });
      return tr;
    }),
  );
}
