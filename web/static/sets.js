// Whether the sweeps agree, bearing play, and the list of sweeps.
import { mm, reasonText } from "./words.js";

export function agree(page, result, setup) {
  const s = result.set;
  const facts = [];
  if (s.accepted === 0) page.agree.textContent = s.rejected ? "No good sweep yet; see below why." : "No good sweep yet.";
  else {
    const limit = s.repeatability_limit_mm;
    const tolerance = setup?.tolerance_mm;
    page.agree.textContent = tolerance
      ? `Two sweeps agree within ${mm(limit, 3)} mm; the tolerance is ±${mm(tolerance, 3)} mm.`
      : `Two sweeps agree within ${mm(limit, 3)} mm.`;
    facts.push(["Counted", `${s.accepted} of ${s.accepted + s.rejected}`]);
    facts.push(["Seatings", `${s.seats}`]);
    facts.push(["Scatter of sweeps", `${mm(s.sd_mm, 4)} mm`]);
    if (s.seat_sd_mm !== null) facts.push(["Scatter of seatings", `${mm(s.seat_sd_mm, 4)} mm`]);
    if (s.drift_mm_per_min !== null && s.drift_p !== null && s.drift_p < 0.01) {
      facts.push(["Drift", `${mm(s.drift_mm_per_min, 4, true)} mm a minute`]);
    }
    for (const n of s.notes) facts.push(["Note", n]);
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
  page.play.textContent = result.play.say;
}

export function list(body, sweeps) {
  body.replaceChildren(
    ...[...sweeps].reverse().map((s) => {
      const tr = document.createElement("tr");
      tr.className = s.accepted ? "yes" : "no";
      const cells = [
        [s.n, "num", "No."],
        [s.seat, "num", "Seat"],
        [s.heading, "", "Way"],
        [mm(s.minimum_mm), "num", "Minimum mm"],
        [mm(s.u_mm === null ? null : 2 * s.u_mm), "num", "± mm"],
        [s.accepted ? "Yes" : `No: ${reasonText(s.reasons)}`, "", "Counted?"],
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
