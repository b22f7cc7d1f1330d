"""Results as pandas tables: one row a set, a sweep, a line of the budget, a reading.

A notebook takes them from ``capture.frames.load``; the functions here take what is already at hand.  pandas is imported when a
table is asked for, so that nothing else waits for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

from analysis.readings import Reading

if TYPE_CHECKING:
    import pandas as pd

    from analysis.reproducibility import Reproducibility

Result = Mapping[str, Any]
"""One line of ``analyse --json``, as a mapping."""

_TEXT, _WHOLE, _NUMBER, _FLAG = "str", "int64", "float64", "bool"

SETS = {
    "stream": _TEXT,
    "readings": _WHOLE,
    "bad_frames": _WHOLE,
    "gaps": _WHOLE,
    "accepted": _WHOLE,
    "rejected": _WHOLE,
    "seats": _WHOLE,
    "minimum_mm": _NUMBER,
    "sd_mm": _NUMBER,
    "seat_sd_mm": _NUMBER,
    "repeatability_limit_mm": _NUMBER,
    "u_mm": _NUMBER,
    "dof": _NUMBER,
    "drift_mm_per_min": _NUMBER,
    "drift_p": _NUMBER,
    "play": _TEXT,
    "play_size_mm": _NUMBER,
    "play_low_mm": _NUMBER,
    "play_high_mm": _NUMBER,
    "play_pattern": _TEXT,
    "play_p": _NUMBER,
    "distance_mm": _NUMBER,
    "U95_mm": _NUMBER,
    "k": _NUMBER,
    "depth_dof": _NUMBER,
    "target_mm": _NUMBER,
    "error_mm": _NUMBER,
    "tolerance_mm": _NUMBER,
    "ruling": _TEXT,
    "p_within": _NUMBER,
    "stack_mm": _NUMBER,
    "change_mm": _NUMBER,
}

SWEEPS = {
    "stream": _TEXT,
    "n": _WHOLE,
    "seat": _WHOLE,
    "heading": _TEXT,
    "start_s": _NUMBER,
    "bottom_s": _NUMBER,
    "end_s": _NUMBER,
    "minimum_mm": _NUMBER,
    "u_mm": _NUMBER,
    "accepted": _FLAG,
    "reasons": _TEXT,
}

BUDGETS = {
    "stream": _TEXT,
    "of": _TEXT,
    "name": _TEXT,
    "u_mm": _NUMBER,
    "kind": _TEXT,
    "dof": _NUMBER,
    "distribution": _TEXT,
    "source": _TEXT,
}

LEVELS = {
    "of": _TEXT,
    "stream": _TEXT,
    "seat": _WHOLE,
    "mm": _NUMBER,
}

READINGS = {
    "stream": _TEXT,
    "t_s": _NUMBER,
    "counts": _WHOLE,
    "step": _TEXT,
    "unit": _TEXT,
    "mm": _NUMBER,
}


def sets(results: Iterable[Result]) -> pd.DataFrame:
    """One row a stream: set, play, depth, ruling and shim.

    Parameters
    ----------
    results : iterable of mapping
        Lines of ``analyse --json``; a line with ``error`` gives no row.

    Returns
    -------
    DataFrame, shape (streams, len(SETS))
        Lengths in mm; what is not known is NaN, or an empty text.
    """
    return _table([_set_row(r) for r in results if "error" not in r], SETS)


def sweeps(results: Iterable[Result]) -> pd.DataFrame:
    """One row a sweep, rejected ones included; `reasons` are parted by a space."""
    rows = [
        {"stream": r["stream"], **{k: s[k] for k in SWEEPS if k not in ("stream", "reasons")}}
        | {"reasons": " ".join(s["reasons"])}
        for r in results
        if "error" not in r
        for s in r["sweeps"]
    ]
    return _table(rows, SWEEPS)


def budgets(results: Iterable[Result]) -> pd.DataFrame:
    """One row a line of an uncertainty budget.

    `of` says whose: "depth", or "set" where no distance could be given.  Unlimited degrees of freedom are ``inf``.
    """
    rows = []
    for r in results:
        if "error" in r:
            continue
        whose = "depth" if r["depth"].get("budget") else "set"
        for line in r[whose]["budget"]:
            dof = float("inf") if line["dof"] is None else line["dof"]
            rows.append({"stream": r["stream"], "of": whose, **line, "dof": dof})
    return _table(rows, BUDGETS)


def levels(
    sets: pd.DataFrame, sweeps: pd.DataFrame, of: Mapping[str, str], each: Literal["seating", "sweep"] = "seating"
) -> pd.DataFrame:
    """What each person (or day) measured, one row a seating (or a sweep), for `reproducibility`.

    Parameters
    ----------
    sets, sweeps : DataFrame
        As `sets` and `sweeps` here give them; rejected sweeps are passed over.
    of : mapping of str to str
        Whose each stream is: a name or a day.  Streams not named are left out.
    each : {"seating", "sweep"}
        What counts as one value.  Sweeps of one seating leave out what seating the arbor again adds.

    Returns
    -------
    DataFrame, shape (values, len(LEVELS))
        Distances, mm, where every stream has one: the set's own distance, and each value's deviation from the set's mean.
        Else readings as displayed, which can be compared only if the display was zeroed alike for all.

    Raises
    ------
    ValueError
        If a stream of `of` is not in `sets`.
    """
    missing = [name for name in of if name not in set(sets["stream"])]
    if missing:
        raise ValueError(f"no set of {', '.join(missing)}; there are {', '.join(sets['stream'])}")
    mine = sweeps[sweeps["accepted"] & sweeps["stream"].isin(list(of))]
    by = ["stream", "seat"] if each == "seating" else ["stream", "seat", "n"]
    out = mine.groupby(by, sort=False)["minimum_mm"].mean().rename("mm").reset_index()
    distance = sets.set_index("stream")["distance_mm"]
    if len(out) and out["stream"].map(distance).notna().all():
        out["mm"] += out["stream"].map(distance) - out.groupby("stream")["mm"].transform("mean")
    out["of"] = out["stream"].map(dict(of))
    return typed(out, LEVELS)


def reproducibility(levels: pd.DataFrame) -> Reproducibility:
    """s_r, s_R and the outlier tests of ISO 5725-2 over the people or days of `levels`.

    Raises
    ------
    ValueError
        With fewer than two people or days, or none with two values.
    """
    from analysis.reproducibility import across

    return across({str(name): cell["mm"].tolist() for name, cell in levels.groupby("of", sort=False)})


def readings(stream: str, taken: Sequence[Reading]) -> pd.DataFrame:
    """One row a reading: time of arrival (s), whole counts of the display step, that step as text, its unit, and mm."""
    import pandas as pd

    columns = {
        "stream": [stream] * len(taken),
        "t_s": [r.t for r in taken],
        "counts": [r.counts for r in taken],
        "step": [str(r.scale.step) for r in taken],
        "unit": [r.scale.unit for r in taken],
        "mm": [r.mm for r in taken],
    }
    return typed(pd.DataFrame(columns), READINGS)


def passes(name: str, written: Sequence[tuple[int, str, str]]) -> pd.DataFrame:
    """One row a pass of a typed set: as `readings`, without a time.

    Parameters
    ----------
    written : sequence of (int, str, str)
        Whole counts of the last digit typed, that digit, and the unit.
    """
    from decimal import Decimal

    import pandas as pd

    factor = {"mm": Decimal(1), "in": Decimal("25.4")}
    columns = {
        "stream": [name] * len(written),
        "t_s": [float("nan")] * len(written),
        "counts": [n for n, _, _ in written],
        "step": [step for _, step, _ in written],
        "unit": [unit for _, _, unit in written],
        "mm": [float(n * Decimal(step) * factor[unit]) for n, step, unit in written],
    }
    return typed(pd.DataFrame(columns), READINGS)


def typed(table: pd.DataFrame, columns: Mapping[str, str]) -> pd.DataFrame:
    """`table` with the columns of `columns`, in that order and of those types, as when read back from a file."""
    out = table.reindex(columns=list(columns))
    for name, kind in columns.items():
        out[name] = out[name].fillna("") if kind == _TEXT else out[name]
        if kind == _WHOLE and not _fits(out[name]):
            out[name] = out[name].astype("object")
        else:
            out[name] = out[name].astype(kind)  # type: ignore[call-overload]
    return out


def _fits(column: pd.Series[Any]) -> bool:
    """Whether whole numbers fit 64 bits; a damaged display may say anything."""
    return all(-(1 << 63) <= int(x) < 1 << 63 for x in column)


def _table(rows: list[dict[str, Any]], columns: Mapping[str, str]) -> pd.DataFrame:
    import pandas as pd

    return typed(pd.DataFrame(rows, columns=list(columns), dtype="object"), columns)


def _set_row(r: Result) -> dict[str, Any]:
    p, d, shim = r["play"], r["depth"], r["shim"] or {}
    names = [k for k in SETS if k in r["set"]]
    return {
        "stream": r["stream"],
        "readings": r["readings"],
        "bad_frames": r["bad_frames"],
        "gaps": len(r["gaps"]),
        **{k: r["set"][k] for k in names},
        "play": p["finding"],
        "play_size_mm": p["size_mm"],
        "play_low_mm": p["size_low_mm"],
        "play_high_mm": p["size_high_mm"],
        "play_pattern": p["pattern"],
        "play_p": p["p_value"],
        **{k: d.get(k) for k in ("distance_mm", "U95_mm", "k", "target_mm", "error_mm", "tolerance_mm", "p_within")},
        "depth_dof": d.get("dof"),
        "ruling": d.get("ruling") or "",
        "stack_mm": shim.get("stack_mm"),
        "change_mm": shim.get("change_mm"),
    }
