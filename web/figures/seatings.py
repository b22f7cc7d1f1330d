"""A set that was typed: its seatings against the tolerance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from web.figures.drawing import BAD, BAND, DEEP, INK, SOFT, Figure, canvas, key, listed


def seatings(
    rows: list[Mapping[str, Any]], depth: Mapping[str, Any], sense: str | None = None, *, name: str = "seatings"
) -> Figure:
    """The middle of each seating, the mean of those that count, and the tolerance where a target is known.

    Parameters
    ----------
    rows : list of mapping
        ``seatings`` of a reading in a job's plain data.
    depth : mapping
        Its ``depth``.
    sense : {"grows", "shrinks"}, optional
        Which way the display goes as the face gets farther away; without it the tolerance cannot be drawn.
    """
    good = [r for r in rows if not r["left_out"]]
    out = [r for r in rows if r["left_out"]]
    mean = sum(r["median_mm"] for r in good) / len(good) if good else None
    band = None
    if (
        mean is not None
        and depth.get("error_mm") is not None
        and depth.get("tolerance_mm")
        and sense in ("grows", "shrinks")
    ):
        on_target = mean - (1 if sense == "grows" else -1) * depth["error_mm"]
        band = on_target - depth["tolerance_mm"], on_target + depth["tolerance_mm"]
    with canvas(name, 1, 2.8) as d:
        a = d.axes[0]
        if band is not None:
            a.axhspan(*band, color=BAND, zorder=0)
            for x in band:
                a.axhline(x, color=SOFT, linewidth=1.2, linestyle=(0, (6, 3)))
        if mean is not None:
            a.axhline(mean, color=DEEP, linewidth=1.4)
        a.plot([r["n"] for r in good], [r["median_mm"] for r in good], "o", color=INK, label="used")
        if out:
            a.plot([r["n"] for r in out], [r["median_mm"] for r in out], "x", color=BAD, markersize=8, label="left out")
        a.set_xticks([r["n"] for r in rows])
        a.set_xlim(0.4, len(rows) + 0.6)
        a.margins(y=0.2)
        a.set_xlabel("seating")
        a.set_ylabel("middle of the passes, mm")
        key(a, 2)
        words = listed([f"seating {r['n']} {r['median_mm']:.4f} mm" for r in good]) if good else "none"
        title = (
            "No seating counts" if mean is None else f"{len(good)} seating{'s' * (len(good) != 1)}: mean {mean:.4f} mm"
        )
        if band is not None:
            title += f"; against the tolerance: {depth['ruling']}"
        left = f" Left out: {listed([str(r['n']) for r in out])}." if out else ""
        room = f" The tolerance runs from {band[0]:.4f} to {band[1]:.4f} mm on the display." if band is not None else ""
        d.say(title, f"Middle of the passes by seating: {words}.{left}{room}")
    return d.result()
