"""Parts of a job's sheet: marks, limits, shims, predictions, the ring gear's side, instruments and conditions."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from analysis.job.derive import setup_for
from analysis.job.head import head_of
from analysis.job.limits import shown
from analysis.job.rules import LIMITS
from analysis.setup import SetupError
from web.report import job_drawings, words
from web.report.job_gather import JobMatter
from web.report.job_words import KINDS, STATUS, brief, fields, plain, said
from web.report.model import Block, Facts, Section, Table, Text
from web.report.sets import length


def marks(m: JobMatter) -> Section:
    """The gear set as it stands, and how its marks were read."""
    d = m.data
    blocks: list[Block] = []
    if d["gearset"] is None:
        blocks.append(Text("No gear set is written down.", "warning"))
    else:
        blocks.append(Facts(fields(_heights(d["gearset"]), "unit")))
        if "head_heights" in d["gearset"]:
            head = head_of(d["gearset"])
            blocks.append(
                Text(f"Head height: {head.height.brief}, the mean of {head.spots} spots that differ by {head.spread}.")
            )
        if "second_reader" not in d["gearset"]:
            blocks.append(Text("No second person read the mark.", "warning"))
    if d["target"] is not None:
        blocks += [Text("The target does not come from the mark:"), Facts(fields(d["target"]))]
    try:
        target = setup_for(m.job, None, shims=False).target
    except SetupError as e:
        target = None
        blocks.append(Text(str(e), "warning"))
    if target is not None:
        blocks.append(Text(f"Target: {target.say} ({d['units']}).", "answer"))
        if target.warning:
            blocks.append(Text(target.warning, "warning"))
    if d["target_missing"]:
        blocks.append(Text(f"No target: {d['target_missing']}.", "warning"))
    if d["as_found"] is not None:
        blocks.append(Text(d["as_found"]["say"], "plain" if d["as_found"]["agrees"] is not False else "warning"))
    return Section("marks", "Gear set, marks and target", tuple(blocks))


def _heights(g: dict[str, Any]) -> dict[str, Any]:
    """A gear set's fields, the head heights with their unit."""
    return {k: [f"{x} {g['unit']}" for x in v] if k == "head_heights" else v for k, v in g.items()}


def limits(m: JobMatter) -> Section:
    """Each limit with its page; what is not stated says so."""
    rows = []
    for name in LIMITS:
        found = list(m.data["limits_for"].get(name, {}).values()) if name in m.data["limits"] else []
        what = name.replace("-", " ")
        if not found:
            rows.append((what, words.NOT_STATED, "", "–", ""))
        for d in found:
            value = shown(d)
            also = {k.removeprefix("also_"): v for k, v in d.items() if k.startswith("also_")}
            value += f" (also printed as {shown(also)})" if also else ""
            condition = f"{d['condition']} bearings" if "condition" in d else ""
            rows.append((what, value, condition, plain(d["page"]), str(d["entry"])))
    head = ("limit", "value, as written", "for", "page of the manual", "entry")
    manual = (m.data["intake"] or {}).get("manual")
    rule = (m.data["family"] or {}).get("decision_rule", "one-sided")
    facts = Facts((("manual", plain(manual), ""), ("decision rule", words.RULES[rule], "")))
    doubts = tuple(Text(x, "warning") for x in m.data["limit_doubts"])
    return Section("limits", "Limits", (facts, *doubts, Table(head, tuple(rows), (4,))))


def family(m: JobMatter) -> Section:
    """Where the shims sit and what they do."""
    d = m.data["family"]
    first: Block = Text("Nothing is written down.", "warning") if d is None else Facts(fields(d))
    effect = m.data["shim_effect"]
    more: tuple[Block, ...] = (
        () if effect["learnt"] is None else (Text(f"Learnt on this unit: {effect['learnt']['say']}"),)
    )
    if effect["response"] is not None:
        more += (Text(effect["response"]["say"]),)
    return Section("family", "Where the shims sit and what they do", (first, Text(effect["say"]), *more))


def shims(m: JobMatter) -> Section:
    """Shims that were fitted, by their names, and every shim measured."""
    d = m.data
    now = tuple(
        (place, " + ".join(s["pieces"]) or "not named: measured as a stack", brief(s["thickness"]), str(s["entry"]))
        for place, s in d["stacks"].items()
    )
    blocks: list[Block] = [
        Table(("place", "shims", "together", "entry"), now, (2, 3), "Fitted, as left")
        if now
        else Text("No shim is written down as fitted.", "warning")
    ]
    fits = tuple(
        (str(e.n), e.at, e.by, str(e.data["place"]), said(dict(e.data), "place", "predicted"))
        for e in m.job.effective
        if e.kind == "fit"
    )
    if fits:
        blocks.append(Table(("entry", "written", "by", "place", "put in"), fits, (0,), "Fitted, in order"))
    pieces = []
    for row in d["stock"]:
        spots: Any = m.job.pieces[row["id"]].data
        read = f"{' '.join(map(str, spots['readings']))} {spots['unit']}"
        state = f"{row['state']}: {row['rejected']}" if row["rejected"] else row["state"]
        pieces.append((row["id"], read, brief(row["thickness"]), row["spread"], plain(row["marked"]), state))
    if pieces:
        head = ("shim", "spots, as read", "thickness", "spread", "marked", "state")
        blocks.append(Table(head, tuple(pieces), (2, 3), "Shims measured"))
    if d["shim"] is not None:
        blocks.append(Text(d["shim"]["say"]))
        rows = tuple(
            (o["role"], f"{o['thickness']} {o['unit']}", length(o["predicted_error_mm"], d["units"] == "in", 4, True))
            for o in d["shim"]["order"]
        )
        if rows:
            blocks.append(Table(("order", "thickness", "error it should leave"), rows, (1, 2)))
        if d["shim"].get("far"):
            blocks.append(Text(d["shim"]["far"]["say"]))
        blocks += job_drawings.of_shims(m)
    return Section("shims", "Shims", tuple(blocks))


def predictions(m: JobMatter) -> Section:
    """What was predicted before building, and what came."""
    inches = m.data["units"] == "in"
    rows = []
    for p in m.data["predictions"]:
        c = p["closure"]
        rows.append(
            (
                str(p["fit"]),
                length(p["change_mm"], inches, 4, True),
                length(p["predicted_mm"], inches),
                "yes" if p["written_before_building"] else "no",
                "not measured" if c is None else length(c["miss_mm"], inches, 4, True),
                "–" if c is None else c["say"] if c["cause"] == "none" else f"{c['cause']}: {c['say']}",
            )
        )
    blocks: list[Block] = []
    if rows:
        head = ("change at entry", "of shim", "predicted", "before building", "miss", "cause")
        blocks.append(Table(head, tuple(rows), (0, 1, 2, 4)))
        blocks += job_drawings.of_predictions(m)
    else:
        blocks.append(Text("No change of the depth shim was predicted and measured."))
    if m.data["alarm"]:
        blocks.append(Text(f"STOP: {m.data['alarm']}", "warning"))
    return Section("predictions", "Predictions and what came", tuple(blocks))


def ring(m: JobMatter) -> Section:
    """Carrier, preload, backlash, run-out and pattern."""
    d, inches = m.data, m.data["units"] == "in"
    blocks: list[Block] = []
    if m.job.zero_play is not None:
        blocks.append(Facts((("side shims at zero play, sum", plain(m.job.zero_play["sum"]), ""),)))
    rows = []
    for r in d["readings"]:
        if r["kind"] == "depth":
            continue
        written: Any = next(e.data for e in m.job.effective if e.n == r["entry"])
        given = f"covered {r['covered']}" if "covered" in r else said(written, "phase", "person", "where")
        what = (str(r["entry"]), KINDS[r["kind"]], r["phase"], r["by"])
        rows.append((*what, given, _found(r, inches), STATUS[r["status"]]))
    if rows:
        head = ("entry", "what", "phase", "by", "as written", "found", "status")
        blocks.append(Table(head, tuple(rows), (0,), "Preload, backlash, run-out and pattern"))
    else:
        blocks.append(Text("No preload, backlash, run-out or pattern is written down.", "warning"))
    if d["carrier"] is not None:
        b = d["carrier"].get("backlash")
        if b:
            blocks.append(Facts(_backlash(d["carrier"], b, inches)))
        blocks.append(Text(d["carrier"]["say"]))
    blocks += job_drawings.of_ring(m)
    moves = tuple(
        (
            f"{x['before']} to {x['after']}",
            length(x["ring_toward_mm"], inches, 3, True),
            "–" if x["ratio"] is None else f"{x['ratio']:.3f} ({x['ratio_source']})",
            length(x["predicted_mm"], inches, 3),
            length(x["measured_mm"], inches, 3),
            _learnt(x),
        )
        for x in d["ring_moves"]
    )
    if moves:
        columns = ("entries", "ring gear toward the pinion", "ratio used", "predicted", "measured", "ratio learnt")
        blocks.append(Table(columns, moves, (1, 2, 3, 4, 5), "Moves of the ring gear"))
    return Section("ring", "Carrier, preload, backlash, run-out and pattern", tuple(blocks))


def _learnt(x: dict[str, Any]) -> str:
    if x["learnt_ratio"] is None:
        return "–"
    return f"{x['learnt_ratio']:.3f}" + ("" if x["learnt_u"] is None else f" (u {x['learnt_u']:.3f})")


def _backlash(c: dict[str, Any], b: dict[str, Any], inches: bool) -> tuple[tuple[str, str, str], ...]:
    return (
        ("backlash, mean", length(b["mean_mm"], inches, 3), f"entry {c['reading']}"),
        ("spread round the ring", length(b["spread_mm"], inches, 3), ""),
        ("smallest", length(b["smallest_mm"], inches, 3), f"at place {b['tight_spot']}"),
        ("ruling", plain(b["finding"]), ""),
        ("pinch of the carrier's bearings", length(c["pinch_mm"], inches, 3, True), ""),
    )


def _found(r: dict[str, Any], inches: bool) -> str:
    if "covered" in r:
        return "–"
    if "mean_mm" in r:
        return f"mean {length(r['mean_mm'], inches, 3)}"
    return str(next(r[k]["say"] for k in ("torque", "run_out", "pattern", "end_play") if k in r))


def instruments(m: JobMatter) -> Section:
    """Instruments with their checks, and the zeros."""
    d = m.data
    rows = []
    for name, x in d["instruments"].items():
        checks = [f"{plain(c.get('date', c['at']))}: {c['found']}" for c in d["checks"] if c["instrument"] == name]
        stated = said({k: v for k, v in x.items() if k not in ("id", "type", "entry")})
        rows.append((name, x["type"], stated or words.NOT_STATED, "; ".join(checks) or "no check written down"))
    blocks: list[Block] = [
        Table(("name", "type", "stated", "checks"), tuple(rows))
        if rows
        else Text("No instrument is written down.", "warning")
    ]
    if d["direction"] is not None:
        x = dict(d["direction"])
        grows = ("display, as the face gets farther away", plain(x.pop("sense", None)), "")
        blocks.append(Facts((*fields(x), grows)))
    zeros = tuple(
        (
            str(z["entry"]),
            z["before"],
            plain(z["after"]) if z["after"] is not None else "not read after",
            "–" if z["drift_mm"] is None else f"{z['drift_mm']:+.4f}",
            said({k: v for k, v in m_z.data.items() if k not in ("when", "reading", "entry")}),
            z["incident"] or "",
        )
        for z, m_z in zip(d["zeroings"], m.job.zeroings, strict=True)
    )
    if zeros:
        head = ("entry", "on the master, before", "after", "drift, mm", "with", "what happened")
        blocks.append(Table(head, zeros, (0, 1, 2, 3), "Display on the master"))
    blocks += [Text(f"Entry {e.n}: {said(dict(e.data))}") for e in m.job.effective if e.kind == "incident"]
    return Section("instruments", "Instruments and their checks", tuple(blocks))


def conditions(m: JobMatter) -> Section:
    """The state of the build each reading was taken in."""
    rows: Iterator[tuple[str, str, str]] = (
        (str(r["entry"]), f"{KINDS[r['kind']]}, {r['phase']}", said(r["state"]) or words.NOT_STATED)
        for r in m.data["readings"]
    )
    head = ("entry", "reading", "state of the build")
    return Section("conditions", "Conditions of each reading", (Table(head, tuple(rows), (0,)),))
