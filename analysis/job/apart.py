"""Two workings-out of the same evidence beside each other: which figures differ, by how much, and whether a ruling does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from analysis.job.entries import Entry
from analysis.job.fold import fold
from analysis.job.view import job_as_dict

NOISE_MM = 1e-9
"""Figures nearer than this differ by how a processor rounds, not by what a program does."""

FIRST = ("set.minimum_mm", "set.u_mm", "set.accepted", "play.finding", "places_mm", "heights_mm", "sweeps")
"""What is told first of a stream's result."""

SHOWN = 3
"""Figures told one by one; the rest are counted."""


@dataclass(frozen=True, slots=True)
class Apart:
    """One figure that differs.

    Attributes
    ----------
    name : str
        Where it stands in the result, dots lead inward.
    was, now : object
    um : float or None
        Difference in micrometres, where it is a length.
    """

    name: str
    was: object
    now: object
    um: float | None

    @property
    def say(self) -> str:
        """In one line."""
        by = "" if self.um is None else f" ({self.um:+.3f} µm)"
        return f"{self.name} was {_brief(self.was)}, is {_brief(self.now)}{by}"


def _brief(x: object) -> str:
    return f"{x:.6g}" if isinstance(x, float) else str(x) if len(str(x)) <= 40 else f"{str(x)[:39]}…"


def figures_apart(was: Any, now: Any) -> list[Apart]:
    """Every figure that both tell and that differs, those that matter most first.

    Tuples and lists count alike, and so do figures within `NOISE_MM`.

    Parameters
    ----------
    was, now : mapping or sequence
        Lengths in mm stand under names that end in ``_mm``.
    """
    found = list(_walk(was, now, ""))
    return sorted(found, key=lambda a: (_rank(a.name), -(abs(a.um) if a.um is not None else 0.0)))


def _rank(name: str) -> int:
    return next((i for i, first in enumerate(FIRST) if name.startswith(first)), len(FIRST))


def _walk(was: Any, now: Any, at: str) -> Iterator[Apart]:
    if isinstance(was, Mapping) and isinstance(now, Mapping):
        # What another version tells besides, or no longer tells, is no other figure.
        for key in (k for k in was if k in now):
            name = str(key) if at in ("", "result") else f"{at}.{key}"
            yield from _walk(was[key], now[key], name)
    elif _listed(was) and _listed(now):
        if len(was) != len(now):
            yield Apart(at, f"{len(was)} of them", f"{len(now)} of them", None)
        for i, (a, b) in enumerate(zip(was, now, strict=False), start=1):
            yield from _walk(a, b, f"{at}.{i}")
    elif _number(was) and _number(now):
        if abs(now - was) > NOISE_MM * max(1.0, abs(was)):
            yield Apart(at, was, now, 1000.0 * (now - was) if "_mm" in at and "per_min" not in at else None)
    elif was != now:
        yield Apart(at, was, now, None)


def _listed(x: object) -> bool:
    return isinstance(x, Sequence) and not isinstance(x, str)


def _number(x: object) -> bool:
    return isinstance(x, int | float) and not isinstance(x, bool)


def told(apart: Sequence[Apart]) -> str:
    """The first of them in words, and how many more there are."""
    shown = [a.say for a in apart[:SHOWN]]
    more = len(apart) - len(shown)
    return "; ".join(shown) + (f"; and {more} more" if more else "")


def rulings(entries: Sequence[Entry]) -> dict[str, str]:
    """What is ruled in a job, by reading."""
    d = job_as_dict(fold(entries), entries=False)
    out: dict[str, str] = {}
    for r in d["readings"]:
        name = f"entry {r['entry']}, {r['kind']} ({r['phase']})"
        depth = r.get("depth")
        if depth is not None:
            out[name] = str(depth["ruling"] if depth["distance_mm"] is not None else "no distance")
        for key in ("torque", "run_out", "end_play"):
            if key in r:
                out[name] = str(r[key]["finding"])
    backlash = (d["carrier"] or {}).get("backlash")
    if backlash is not None:
        out["backlash as it stands"] = str(backlash["finding"])
    return out


def rulings_apart(entries: Sequence[Entry], again: Mapping[int, Mapping[str, object]]) -> dict[str, tuple[str, str]]:
    """Rulings that are others once what was worked out again stands in place of what was written down.

    Parameters
    ----------
    entries : sequence of Entry
    again : mapping
        What came out now, by number of its entry.
    """
    then = rulings(entries)
    now = rulings(
        [
            Entry(e.n, e.at, e.by, e.kind, {**e.data, **again[e.n]}, e.corrects, e.extra) if e.n in again else e
            for e in entries
        ]
    )
    return {k: (then.get(k, "none"), now.get(k, "none")) for k in {**then, **now} if then.get(k) != now.get(k)}
