"""A job in words, for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from analysis.job.quantities import EXAMPLE, quantity


def next_words(step: dict[str, Any] | None, ways: Sequence[str] = ()) -> str:
    """The next step, and how it is written down."""
    if step is None:
        return "The job is closed.\n"
    how = "".join(f"    {way}\n" for way in ways)
    return f"Next ({step['name']}): {step['say']}\n  Why: {step['why']}\n  To write it down:\n{how}"


def void_words(void: Sequence[dict[str, Any]], redo: Sequence[dict[str, Any]]) -> str:
    """What is not used, why, and what to do again."""
    if not void:
        return "Nothing is void.\n"
    lines = []
    for v in void:
        lines.append(f"entry {v['entry']}, {v['kind']} ({v['phase']}): {v['status']}")
        lines += [f"    {r['reason']} (entry {r['entry']})" for r in v["reasons"]]
    lines += ["To measure again:" if redo else "Nothing is to be measured again."]
    lines += [f"    {r['what']}: {r['because']}" for r in redo]
    return "\n".join(lines) + "\n"


def stock_words(rows: Sequence[dict[str, Any]]) -> str:
    """The box."""
    if not rows:
        return "No shim is measured yet.\n"
    lines = ["thickness      spread       marked       place  state      job          shim"]
    for r in rows:
        state = r["state"] if r["state_in"] is None else f"{r['state']} in {r['state_in']}"
        lines.append(
            f"{_brief(r['thickness']):<13}  {r['spread']:<11}  {r['marked'] or '–':<11}  {r['place']:<5}  {state:<9}  {r['job']:<11}  {r['id']}"
            + (f"  ({r['rejected']})" if r["rejected"] else "")
        )
    return "\n".join(lines) + "\n"


def _brief(written: str) -> str:
    return quantity(written, "length").brief


def _length(x: float | None, inches: bool, sign: bool = False) -> str:
    """A length as the analysis works with it, and in inches beside it where the job is worked in those."""
    if x is None:
        return "–"
    plus = "+" if sign else ""
    return f"{x:{plus}.4f} mm" + (f" ({x / 25.4:{plus}.5f} in)" if inches else "")


def words(d: dict[str, Any], ways: Sequence[str] = ()) -> str:
    """The job as it stands."""
    lines = [f"Job {d['job']}: {d['unit'] or 'no unit written down yet'}", ""]
    inches = bool(d["in_inches"])
    if d["target_missing"]:
        lines.append(f"Target: none; {d['target_missing']}.")
    lines.append(f"Depth shim: {d['shim_effect']['say']}")
    lines += [
        f"    {place}: {_brief(s['thickness'])} ({' + '.join(s['pieces']) or 'measured as a stack'})"
        for place, s in d["stacks"].items()
    ]
    if d["starter"] is not None:
        lines.append(f"To start with: {d['starter']['say']}")
    lines += ["", "Readings:"]
    for r in d["readings"]:
        lines.append(
            f"  entry {r['entry']:>3}  {r['kind']:<15} {r['phase']:<8} {r['status']:<11} {r['by']}  {_reading(r, inches)}"
        )
        reasons = [v["reason"] for v in r["void"]] or r["questions"] or r["wrong"]
        lines += [f"             {reason}" for reason in reasons]
        if r["allowed"]:
            lines.append(f"             used all the same: {r['allowed']}")
    if d["depth"] is not None and d["depth"]["distance_mm"] is not None:
        x = d["depth"]
        half = f" ± {_length(x['U95_mm'], inches)} (95 %)"
        lines += ["", f"Depth (set {x['set']}, {x['status']}): {_length(x['distance_mm'], inches)}{half}"]
        if x["error_mm"] is not None:
            limit = d["limits"].get("depth-tolerance", {}).get("value")
            ruled = x["ruling"] + (f" ±{limit}" if limit and x["ruling"] in ("within", "outside") else "")
            lines.append(
                f"  target {_length(x['target_mm'], inches)}, error {_length(x['error_mm'], inches, True)}: {ruled}"
            )
        lines += [f"  {s}" for s in x["steps"]]
        lines += [f"  note: {n}" for n in x["notes"]]
    if d["shim"] is not None:
        lines += ["", f"Shim: {d['shim']['say']}"]
        if d["shim"].get("far"):
            lines.append(f"  {d['shim']['far']['say']}")
    for p in d["predictions"]:
        c = p["closure"]
        lines.append(
            f"Change at entry {p['fit']}: {_length(p['change_mm'], inches, True)} of shim, predicted {_length(p['predicted_mm'], inches)}. "
            f"{c['say'] if c else 'Not measured yet.'}"
        )
    if d["shim_effect"]["response"] is not None:
        lines.append(d["shim_effect"]["response"]["say"])
    if d["as_found"] is not None:
        lines.append(d["as_found"]["say"])
    lines += [c["say"] for c in d["people"]]
    if d["carrier"] is not None:
        lines += ["", f"Carrier: {d['carrier']['say']}"]
    lines += [m["say"] for m in d["ring_moves"] if m["say"]]
    if d["alarm"]:
        lines += ["", f"STOP: {d['alarm']}"]
    lines += [f"Problem: {p}" for p in [*d["limit_doubts"], *d["problems"]]]
    lines += [f"Left out: {step}: {why}" for step, why in d["skips"].items()]
    if "entries" in d:
        lines += ["", "Entries:"]
        for e in d["entries"]:
            marks = "".join(
                (
                    f", corrects {e['corrects']}" if "corrects" in e else "",
                    f", corrected by {e['corrected_by'][-1]}" if "corrected_by" in e else "",
                    f", withdrawn ({e['withdrawn']})" if "withdrawn" in e else "",
                )
            )
            said = ", ".join(f"{k} {v}" for k, v in e["data"].items() if k not in ("result", "predicted"))
            lines.append(f"  {e['n']:>3}  {e['at']}  {e['by']}  {e['kind']}{marks}: {said}")
    return "\n".join([*lines, "", next_words(d["next"], ways) + d["caution"], ""])


def _reading(r: dict[str, Any], inches: bool) -> str:
    if "covered" in r:
        return f"covered {r['covered']}"
    if r["kind"] == "depth":
        return (
            _length(r["depth"]["distance_mm"], inches)
            if r["depth"]["distance_mm"] is not None
            else str(r["depth"]["reason"])
        )
    if "mean_mm" in r:
        return f"mean {_length(r['mean_mm'], inches)}"
    return str(r.get("torque", r.get("run_out", r.get("pattern", r.get("end_play", {})))).get("say", ""))


def kinds_words(rows: Sequence[dict[str, Any]]) -> str:
    """Kinds of entries and their fields."""
    lines = []
    for k in rows:
        lines.append(f"{k['kind']}: {k['title']}")
        lines += [
            f"    {f['field']}{' (needed)' if f['required'] else ''}{': ' + holds if (holds := _holds(f)) else ''}"
            for f in k["fields"]
        ]
    return "\n".join(lines) + "\n"


_EXAMPLE = {
    "length": "a length, such as " + EXAMPLE["length"],
    "torque": "a torque, such as " + EXAMPLE["torque"],
    "force": "a force, such as " + EXAMPLE["force"],
    "temperature": "a temperature, such as " + EXAMPLE["temperature"],
    "angle": "an angle, such as " + EXAMPLE["angle"],
}


def _holds(f: Mapping[str, Any]) -> str:
    """What a field may hold: its own words, and the choices, unit or table they leave open."""
    says = str(f["says"])
    form = f.get("of", f)
    kind = form.get("type")
    extra = ""
    if kind == "choice" and not all(x in says for x in form["choices"]):
        extra = f"{'any of' if f.get('type') == 'list' else 'one of'}: {', '.join(form['choices'])}"
    elif kind == "quantity" and "unit" not in says:
        extra = _EXAMPLE[form["dimension"]]
    elif kind == "flag":
        extra = "yes or no"
    elif kind == "date":
        extra = "a day, such as 2026-03-02"
    elif kind == "made":
        extra = "comes with a stream, not typed"
    elif kind == "table" and form.get("fields"):
        names = ", ".join(x["field"] for x in form["fields"])
        extra = (
            f"push-pull 0.004 mm or rejected WHY may follow; or tables with {names}"
            if f["field"] == "seatings"
            else f"a table with {names}"
        )
    return "; ".join(x for x in (says, extra) if x)
