"""The part of a sheet that tells of one set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.tracing import Trace
from web import figures
from web.report import words
from web.report.gather import SetupText, Source
from web.report.model import Block, Facts, Picture, Section, Table, Text


def mm(value: float | None, places: int = 4, sign: bool = False) -> str:
    """A length in mm; a dash where there is none."""
    return "–" if value is None else f"{value:{'+' if sign else ''}.{places}f}"


def length(value: float | None, inches: bool, places: int = 4, sign: bool = False) -> str:
    """A length with its unit, both units where the set-up is in inches."""
    if value is None:
        return words.NOT_STATED
    plus = "+" if sign else ""
    metric = f"{value:{plus}.{places}f} mm"
    return f"{value / 25.4:{plus}.{places + 1}f} in ({metric})" if inches else metric


def set_sections(n: int, source: Source, setup: SetupText | None) -> list[Section]:
    """Sections of set `n`: sweeps, depth, shim, conditions."""
    r = source.result
    inches = setup is not None and setup.setup.units == "in"
    sense = None if setup is None else setup.setup.reading_sense
    sweeps: list[Block] = [Facts(_about(source))]
    sweeps.append(Picture(figures.minima(r, sense=sense, name=f"set{n}-minima")))
    worst = _worst(source.run.session.traces)
    if worst is not None:
        sweeps.append(Text("The accepted sweep that follows its curve least well:"))
        sweeps.append(Picture(figures.sweep(worst, name=f"set{n}-sweep")))
    if r["set"]["accepted"]:
        sweeps.append(Picture(figures.drift(r, name=f"set{n}-drift")))
    sweeps.append(sweeps_table(r))
    advice = list(dict.fromkeys(s["advice"] for s in r["sweeps"] if s["advice"]))
    sweeps += [Text(a) for a in advice]
    sweeps.append(Facts(_statistics(r)))
    sweeps += [Text(x) for x in r["set"]["notes"]]
    sweeps.append(Text(f"Bearing play: {r['play']['finding']}. {r['play']['say']}"))
    out = [Section(f"set{n}", f"Set {n}: sweeps", tuple(sweeps))]
    out.append(Section(f"set{n}-depth", f"Set {n}: distance and uncertainty", tuple(_depth(n, r, inches))))
    if r["shim"] is not None:
        out.append(Section(f"set{n}-shim", f"Set {n}: shims", tuple(_shim(n, r, inches))))
    out.append(Section(f"set{n}-conditions", f"Set {n}: instrument and conditions", tuple(_conditions(source, setup))))
    return out


def _about(x: Source) -> tuple[tuple[str, str, str], ...]:
    r = x.result
    gaps = ", ".join(f"{g['start_s']:.1f} to {g['end_s']:.1f} s" for g in r["gaps"]) or "none"
    return (
        ("raw stream", x.shown, ""),
        ("recorded", x.run.header.started or words.NOT_STATED, "header of the stream"),
        ("readings", str(r["readings"]), f"{r['bad_frames']} damaged frames"),
        ("silences", gaps, ""),
        (
            "sweeps",
            f"{r['set']['accepted']} accepted, {r['set']['rejected']} rejected",
            f"{r['set']['seats']} seating(s)",
        ),
    )


def _worst(traces: Sequence[Trace]) -> Trace | None:
    fitted = [(float(np.mean(t.residual**2)), t) for t in traces if t.sweep.accepted and t.residual is not None]
    return max(fitted, key=lambda x: x[0])[1] if fitted else None


def sweeps_table(r: dict[str, Any]) -> Table:
    """Every sweep with its verdict."""
    rows = []
    for s in r["sweeps"]:
        verdict = words.ACCEPTED if s["accepted"] else "rejected: " + ", ".join(s["reasons"])
        u = "–" if s["u_mm"] is None else f"{1000 * s['u_mm']:.2f}"
        rows.append(
            (str(s["n"]), str(s["seat"]), s["heading"], f"{s['bottom_s']:.2f}", mm(s["minimum_mm"], 5), u, verdict)
        )
    head = ("sweep", "seating", "way", "at, s", "bottom on the display, mm", "u, µm", "verdict")
    return Table(head, tuple(rows), (0, 1, 3, 4, 5), "Every sweep, rejected ones too")


def _statistics(r: dict[str, Any]) -> tuple[tuple[str, str, str], ...]:
    s = r["set"]
    drift = words.NOT_STATED if s["drift_mm_per_min"] is None else f"{1000 * s['drift_mm_per_min']:+.2f} µm a minute"
    p = "" if s["drift_p"] is None else f"p = {s['drift_p']:.3g}"
    seat = "one seating" if s["seat_sd_mm"] is None else f"{1000 * s['seat_sd_mm']:.2f} µm"
    return (
        ("bottom on the display, mean", f"{mm(s['minimum_mm'], 5)} mm", f"{s['accepted']} sweeps"),
        (
            "scatter within a seating",
            "–" if s["sd_mm"] is None else f"{1000 * s['sd_mm']:.2f} µm",
            "standard deviation",
        ),
        ("scatter of the seatings", seat, "standard deviation of their means"),
        ("two sweeps agree within", f"{mm(s['repeatability_limit_mm'])} mm", "95 of 100 cases, ISO 5725-6"),
        ("standard uncertainty of the mean", "–" if s["u_mm"] is None else f"{1000 * s['u_mm']:.2f} µm", ""),
        ("drift", drift, p),
    )


def _depth(n: int, r: dict[str, Any], inches: bool) -> list[Block]:
    d = r["depth"]
    if d["distance_mm"] is None:
        out: list[Block] = [Text(d["reason"], "warning")]
        if r["set"]["budget"]:
            out.append(Picture(figures.budget(r, name=f"set{n}-budget")))
        return [*out, budget_table(r["set"]["budget"])]
    rows = [
        ("distance, axis to end face", length(d["distance_mm"], inches), ""),
        ("expanded uncertainty", f"± {length(d['U95_mm'], inches)}", f"95 %, k = {d['k']:.2f}"),
        ("target", length(d["target_mm"], inches), "nominal and mark"),
        ("error", length(d["error_mm"], inches, sign=True), "measured less target"),
        (
            "tolerance",
            f"± {length(d['tolerance_mm'], inches)}" if d["tolerance_mm"] else words.NOT_STATED,
            "the manual, as stated",
        ),
        ("ruling", words.RULINGS[d["ruling"]], words.RULES[d["rule"]]),
        ("chance of being within", "–" if d["p_within"] is None else f"{100 * d['p_within']:.2f} %", ""),
    ]
    out = [Facts(tuple(rows)), *[Text(x) for x in d["steps"]], *[Text(x, "warning") for x in d["notes"]]]
    out.append(Picture(figures.budget(r, name=f"set{n}-budget")))
    out.append(budget_table(d["budget"]))
    return out


def budget_table(lines: Sequence[dict[str, Any]]) -> Table:
    """Uncertainty contributions, largest first."""
    rows = [
        (
            x["name"],
            f"{1000 * x['u_mm']:.3f}",
            x["kind"],
            x["distribution"],
            "unlimited" if x["dof"] is None else f"{x['dof']:.1f}",
            x["source"],
        )
        for x in sorted(lines, key=lambda x: -x["u_mm"])
    ]
    head = ("contribution", "u, µm", "type", "distribution", "degrees of freedom", "source")
    return Table(head, tuple(rows), (1, 4), "Uncertainty, largest first")


def _shim(n: int, r: dict[str, Any], inches: bool) -> list[Block]:
    shim = r["shim"]
    out: list[Block] = [Text(shim["say"], "answer")]
    if shim["stack_mm"] is None:
        return out
    out.append(
        Facts(
            (
                ("stack needed", length(shim["stack_mm"], inches), ""),
                ("change", length(shim["change_mm"], inches, sign=True), ""),
            )
        )
    )
    picture = figures.stock(r, name=f"set{n}-stock")
    if picture is not None:
        out.append(Picture(picture))
    rows = []
    for key, label in (
        ("stock", "choice"),
        ("fallback", "outside the aim, inside the tolerance"),
        ("runner_up", "runner-up"),
    ):
        c = shim.get(key)
        if c:
            pieces = " + ".join(f"{p['id']} ({length(p['thickness_mm'], inches, 3)})" for p in c["pieces"])
            chance = "–" if c["p_within"] is None else f"{100 * c['p_within']:.2f} %"
            rows.append(
                (
                    label,
                    pieces,
                    length(c["total_mm"], inches, 3),
                    length(c["predicted_error_mm"], inches, 3, True),
                    chance,
                )
            )
    for o in shim["order"]:
        left = length(o["predicted_error_mm"], inches, 3, True)
        rows.append(
            (f"order ({o['role']})", f"{o['thickness']} {o['unit']}", length(o["thickness_mm"], inches, 3), left, "–")
        )
    if rows:
        head = ("what", "pieces", "together", "error it should leave", "chance of being within")
        out.append(Table(head, tuple(rows), (2, 3, 4)))
    return out


def _conditions(x: Source, setup: SetupText | None) -> list[Block]:
    header = x.run.header
    rows = [("source of the readings", header.source or words.NOT_STATED, "header of the stream")]
    rows += [(f"profile: {k}", str(v), "header of the stream") for k, v in header.profile.items()]
    period = x.run.session.period_s
    if period:
        rows.append(("readings a second, as they came", f"{1 / period:.1f}", "end of the stream"))
    if setup is not None:
        h = setup.setup.housing
        for name, value, key in (
            ("housing temperature", h.temperature, "housing.temperature"),
            ("arbor temperature", h.arbor_temperature, "housing.arbor_temperature"),
        ):
            rows.append((name, words.NOT_STATED if value is None else f"{value} °C", key))
    out: list[Block] = [Facts(tuple(rows))]
    events = [(m.t, words.MARKS.get(m.mark, m.mark.removeprefix("note:").strip() or m.mark)) for m in x.run.marks]
    events += [(e.t, words.LINKS.get(e.state, e.state) + (f": {e.why}" if e.why else "")) for e in x.run.links]
    if events:
        table = tuple((f"{t:.1f}", what) for t, what in sorted(events))
        out.append(Table(("at, s", "what happened"), table, (0,)))
    return out
