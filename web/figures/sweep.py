"""One sweep: readings, the curve fitted to them, and what is left over."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from analysis.tracing import Trace
from web.figures.drawing import BAD, BAND, DEEP, INK, SOFT, Figure, canvas, key, um
from web.texts import ENGLISH, catalogues


def _in_words(reasons: Iterable[str]) -> str:
    """Reasons as the page has them."""
    known = catalogues()[ENGLISH]["reason"]
    return ", ".join(known.get(r, r) for r in reasons)


def sweep(trace: Trace, *, name: str = "sweep") -> Figure:
    """Readings around the bottom with the fitted curve, and the residuals below.

    Parameters
    ----------
    trace : Trace
        Of `capture.rerun`.
    name : str
        Identifier; give each figure of a page its own.
    """
    s = trace.sweep
    t = trace.t - s.bottom_s
    if s.minimum_mm is None or s.u_mm is None or trace.fit is None or trace.residual is None:
        with canvas(name, 1, 2.6) as d:
            a = d.axes[0]
            a.plot(t, trace.mm, "o", color=BAD, markersize=4, markerfacecolor="none")
            a.set_xlabel("time from the lowest reading, s")
            a.set_ylabel("display, mm")
            why = _in_words(s.reasons) or "no bottom could be fitted"
            d.say(f"Sweep {s.n}: no bottom ({why})", f"Sweep {s.n}: {t.size} readings and no curve: {why}.")
        return d.result()
    with canvas(name, 2, 3.9, (3.0, 1.2)) as d:
        top, low = d.axes
        where = np.argsort(t, kind="stable")
        top.axhspan(s.minimum_mm - 2 * s.u_mm, s.minimum_mm + 2 * s.u_mm, color=BAND, zorder=0)
        top.axhline(s.minimum_mm, color=SOFT, linestyle=(0, (4, 3)), linewidth=1)
        top.plot(t[where], trace.fit[where], "-", color=DEEP, linewidth=1.6, label="fitted curve")
        top.plot(t, trace.mm, "o", color=INK, markersize=3.6, markerfacecolor="none", label="readings")
        top.plot([0.0], [s.minimum_mm], "D", color=DEEP, markersize=7, label=f"bottom {s.minimum_mm:.4f} mm")
        top.set_ylabel("display, mm")
        key(top, 3)
        left = trace.residual * 1000.0
        low.axhline(0.0, color=SOFT, linewidth=0.8)
        low.vlines(t, 0.0, left, color=SOFT, linewidth=0.9)
        low.plot(t, left, "o", color=INK, markersize=3)
        low.set_ylabel("left over, µm")
        low.set_xlabel("time from the bottom, s")
        low.grid(axis="y")
        rms = float(np.sqrt(np.mean(trace.residual**2)))
        word = "" if s.accepted else f"; rejected: {_in_words(s.reasons)}"
        d.say(
            f"Sweep {s.n}: bottom at {s.minimum_mm:.4f} mm, u {um(s.u_mm)}{word}",
            f"Sweep {s.n}, seating {s.seat}, {s.heading}: {t.size} readings over {float(np.ptp(t)):.2f} s follow the fitted curve to its "
            f"bottom at {s.minimum_mm:.4f} mm, standard uncertainty {um(s.u_mm)}. Readings less curve: {um(rms)} root mean square, "
            f"{um(float(np.abs(trace.residual).max()))} at most{word}.",
        )
    return d.result()
