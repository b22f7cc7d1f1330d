"""Figures of a set, one function each, for page, sheet and notebook alike.

Each takes plain results (one line of ``analyse --json``, or the traces of `capture.rerun`) and gives a `Figure`: an SVG whose
title says the finding, text as paths, a text alternative inside.  They are drawn without a screen, give the same bytes for the same
input, and read in black and white: meaning lies in shape, hatch and words, colour only helps.
"""

from __future__ import annotations

from web.figures.budget import budget
from web.figures.drawing import Figure, canvas, narrow
from web.figures.drift import drift
from web.figures.minima import minima
from web.figures.stock import stock
from web.figures.sweep import sweep

__all__ = ["Figure", "budget", "canvas", "drift", "minima", "narrow", "stock", "sweep"]
