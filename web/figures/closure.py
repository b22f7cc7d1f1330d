"""What each change of shim was to do, and what it did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from web.figures.drawing import BAD, BAND, DEEP, SOFT, Figure, canvas, listed


def closure(predictions: Sequence[Mapping[str, Any]], *, name: str = "closure") -> Figure | None:
    """Measured less predicted for each change of the depth shim, with the agreement both uncertainties allow.

    Parameters
    ----------
    predictions : sequence of mapping
        ``predictions`` of a job's plain data.

    Returns
    -------
    Figure or None
        None before the first change was measured.
    """
    rows = [p for p in predictions if p["closure"] is not None]
    if not rows:
        return None
    with canvas(name, 1, 2.9) as d:
        a = d.axes[0]
        miss = [1000.0 * p["closure"]["miss_mm"] for p in rows]
        room = [1000.0 * p["closure"]["U_mm"] for p in rows]
        for i, (y, u, p) in enumerate(zip(miss, room, rows, strict=True)):
            good = p["closure"]["agrees"]
            a.bar(
                i,
                2 * u,
                bottom=-u,
                width=0.5,
                color=BAND,
                edgecolor=SOFT,
                linestyle=(0, (6, 3)),
                linewidth=0.8,
                zorder=0,
            )
            a.plot([i], [y], marker="o" if good else "X", color=DEEP if good else BAD, markersize=8, linestyle="")
            a.annotate(f"{y:+.1f} µm", (i, y), xytext=(8, 0), textcoords="offset points", va="center", fontsize=8.5)
        a.axhline(0.0, color=SOFT, linewidth=1.0)
        reach = 1.25 * max([abs(y) for y in miss] + room + [1.0])
        a.set_ylim(-reach, reach)
        a.set_xlim(-0.6, len(rows) - 0.2)
        a.set_xticks(range(len(rows)), [f"entry {p['fit']}\n{1000.0 * p['change_mm']:+.0f} µm of shim" for p in rows])
        a.set_ylabel("measured less predicted, µm")
        a.grid(axis="y")
        agree = sum(bool(p["closure"]["agrees"]) for p in rows)
        many = "the change" if len(rows) == 1 else f"all {len(rows)} changes"
        if agree == len(rows):
            title = f"Measured as predicted after {many}; last {miss[-1]:+.1f} µm off"
        else:
            title = f"{len(rows) - agree} of {len(rows)} changes missed the prediction; last {miss[-1]:+.1f} µm off"
        told = [
            f"entry {p['fit']}: {y:+.1f} µm off, {'inside' if p['closure']['agrees'] else 'outside'} ±{u:.1f} µm"
            for p, y, u in zip(rows, miss, room, strict=True)
        ]
        d.say(title, f"Measured less predicted distance for each change of shim: {listed(told)}. A cross marks a miss.")
    return d.result()
