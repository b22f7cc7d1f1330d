// Whether the sweeps agree, bearing play, and the list of sweeps.
import { localised, mm, reasonText, say } from "./words.js";

export function agree(page, result, setup) {
  const s = result.set;
  const facts = [];
  if (s.accepted === 0) page.agree.textContent = say(s.rejected ? "sets.none_good" : "sweep.no_good_sweep");
  else {
    const limit = s.repeatability_limit_mm;
    const tolerance = setup?.tolerance_mm;
    page.agree.textContent = tolerance
      ? say("sets.agree_tolerance", { limit: mm(limit, 3), tolerance: mm(tolerance, 3) })
      : say("sets.agree", { limit: mm(limit, 3) });
    facts.push([say("sets.counted"), say("sets.of", { n: s.accepted, all: s.accepted + s.rejected })]);
    facts.push([say("sets.seatings"), `${s.seats}`]);
    facts.push([say("sets.scatter"), `${mm(s.sd_mm, 4)} mm`]);
    if (s.seat_sd_mm !== null) facts.push([say("sets.scatter_seatings"), `${mm(s.seat_sd_mm, 4)} mm`]);
    if (s.drift_mm_per_min !== null && s.drift_p !== null && s.drift_p < 0.01) {
      facts.push([say("sets.drift"), say("sets.a_minute", { drift: mm(s.drift_mm_per_min, 4, true) })]);
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
  page.play.textContent = localised(result.play.say);
}

export function list(body, sweeps) {
  body.replaceChildren(
    ...[...sweeps].reverse().map((s) => {
      const tr = document.createElement("tr");
      tr.className = s.accepted ? "yes" : "no";
      const cells = [
        [s.n, "num", say("sweep.column.n")],
        [s.seat, "num", say("sweep.column.seat")],
        [say(`sets.way_${s.heading}`), "", say("sweep.column.way")],
        [mm(s.minimum_mm), "num", say("sweep.column.minimum")],
        [mm(s.u_mm === null ? null : 2 * s.u_mm), "num", say("sweep.column.give")],
        [s.accepted ? say("sets.yes") : say("sets.no", { why: reasonText(s.reasons) }), "", say("sweep.column.counted")],
      ];
      for (const [text, kind, label] of cells) {
        const td = document.createElement("td");
        td.textContent = text;
        td.dataset.label = label;
        if (kind) td.className = kind;
        tr.append(td);
      }
      return tr;
    }),
  );
}
