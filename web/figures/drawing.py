"""What all figures have in common: look, size, and the way to an SVG that is the same every time."""

from __future__ import annotations

import io
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

INK, SOFT, LINE, PAPER = "#1d2427", "#4d5a5f", "#cfc8b8", "#fffdf8"
DEEP, GOOD, BAD, BAND = "#14424c", "#1c6b3c", "#9a2f1d", "#cfe3d4"

THEME = {
    INK: "ink",
    SOFT: "soft",
    LINE: "line",
    PAPER: "card",
    DEEP: "deep",
    GOOD: "good",
    BAD: "bad",
    BAND: "band",
    "#ffffff": "card",
}
"""Colours, and the page's names for them."""

WIDTH_IN = 7.0

NARROW_IN = 3.7
"""Width for a phone: its text is read there as large as the page's own."""

_width: ContextVar[float] = ContextVar("width", default=WIDTH_IN)


@contextmanager
def narrow(wanted: bool = True) -> Iterator[None]:
    """Figures drawn within are as wide as a phone."""
    before = _width.set(NARROW_IN if wanted else WIDTH_IN)
    try:
        yield
    finally:
        _width.reset(before)


_ONE_AT_A_TIME = threading.Lock()

MARKS = ("o", "s", "^", "D", "v", "P", "X", "*")
"""A shape for each seating."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawn figure.

    Attributes
    ----------
    name : str
        What it shows, as an identifier.
    title : str
        The finding.
    alt : str
        The same in words, for who can't see it.
    svg : str
        The drawing, to be put into a page or a file.
    """

    name: str
    title: str
    alt: str
    svg: str

    def _repr_svg_(self) -> str:
        """Shown by a notebook."""
        return self.svg

    def themed(self) -> str:
        """The drawing with the page's colours by name, so that it follows light and dark."""
        out = self.svg
        for colour, name in THEME.items():
            out = out.replace(colour, f"var(--{name}, {colour})")
        return out

    def inline(self) -> str:
        """`themed`, for a page whose policy lets no style stand in the markup: every property is an attribute of its own."""
        out = re.sub(r"<!--.*?-->\s*", "", self.themed(), flags=re.DOTALL)
        common = re.search(r"<style[^>]*>\*\{([^}]*)\}</style>", out)
        assert common is not None
        out = out.replace(common[0], "", 1).replace("<svg ", f"<svg {_attributes(common[1])} ", 1)
        return re.sub(r'style="([^"]*)"', lambda m: _attributes(m[1]), out)


def is_narrow() -> bool:
    """Whether what is drawn is for a phone."""
    return _width.get() < WIDTH_IN


def _attributes(style: str) -> str:
    pairs = (part.partition(":") for part in style.split(";") if part.strip())
    return " ".join(f'{name.strip()}="{value.strip()}"' for name, _, value in pairs)


@contextmanager
def canvas(name: str, rows: int = 1, height_in: float = 3.0, ratios: tuple[float, ...] = ()) -> Iterator[Drawing]:
    """A figure to draw on; its SVG is ready when the block ends."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Canvas

    look: dict[str, Any] = {
        "svg.fonttype": "path",
        "svg.hashsalt": "shimwright",
        "font.family": ["DejaVu Sans"],
        "font.enable_last_resort": False,
        "font.size": 9.5,
        "text.color": INK,
        "axes.edgecolor": SOFT,
        "axes.labelcolor": INK,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.linewidth": 0.8,
        "axes.axisbelow": True,
        "grid.color": LINE,
        "grid.linewidth": 0.6,
        "hatch.linewidth": 0.7,
        "legend.frameon": False,
        "legend.fontsize": 8.5,
        "axes.formatter.useoffset": False,
        "path.simplify": False,
        # A shim may be named with a dollar sign: words are words, and no formula.
        "text.parse_math": False,
    }
    # The library keeps its look in one global place: figures of several threads wait for each other.
    with _ONE_AT_A_TIME, matplotlib.rc_context():
        matplotlib.rcdefaults()
        for key, value in look.items():
            matplotlib.rcParams[key] = value  # type: ignore[index, unused-ignore]
        figure = Canvas(figsize=(_width.get(), height_in), layout="constrained")
        FigureCanvasSVG(figure)
        axes = figure.subplots(rows, 1, sharex=rows > 1, squeeze=False, height_ratios=ratios or None)[:, 0]
        drawing = Drawing(name, figure, list(axes))
        yield drawing
        drawing.finish()


class Drawing:
    """A figure being drawn: axes, and the words that go with it."""

    def __init__(self, name: str, figure: Canvas, axes: list[Axes]) -> None:
        self.name = name
        self.figure = figure
        self.axes = axes
        self.title = ""
        self.alt = ""
        self._svg = ""

    def say(self, title: str, alt: str) -> None:
        """Title (the finding) and text alternative."""
        import textwrap

        self.title, self.alt = title, alt
        # A number and its unit stay together.
        title = re.sub(r" (?=(%|mm|µm)(\W|$))", "\u00a0", title)
        self.figure.suptitle(
            "\n".join(textwrap.wrap(title, round(72 * _width.get() / WIDTH_IN))),
            x=0.01,
            ha="left",
            fontsize=11,
            fontweight="bold",
        )

    def finish(self) -> None:
        """Turn the drawing into text."""
        out = io.StringIO()
        self.figure.savefig(
            out,
            format="svg",
            facecolor="none",
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        )
        self._svg = _plain(out.getvalue(), self.name, self.title, self.alt)

    def result(self) -> Figure:
        """The figure; after the block of `canvas` has ended."""
        return Figure(self.name, self.title, self.alt, self._svg)


def _plain(svg: str, name: str, title: str, alt: str) -> str:
    """One SVG element to put into a page: no declaration, names of its own, words for who can't see it."""
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>\s*", "", body, flags=re.DOTALL)
    body = re.sub(r' d="[^"]*"', lambda m: re.sub(r"(\.\d\d)\d+", r"\1", m[0]), body)
    body = re.sub(r"\s*\n\s*", "\n", body)
    body = re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", body)
    head, rest = body.split(">", 1)
    size = re.search(r'viewBox="([^"]*)"', head)
    assert size is not None
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" viewBox="{size[1]}" '
        f'role="img" aria-labelledby="{name}-title {name}-desc" class="figure">'
    )
    words = f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(alt)}</desc>'
    del head
    return opening + words + rest.rstrip() + "\n"


def um(mm: float) -> str:
    """A small length in micrometres."""
    return f"{mm * 1000:.1f} µm"


def key(axes: Axes, columns: int) -> None:
    """The key above the axes, where it covers nothing."""
    columns = min(columns, 2) if is_narrow() else columns
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), borderaxespad=0.1, ncols=columns)


def percent(share: float) -> str:
    """A share in per cent, never rounded to all or nothing."""
    return "under 1 %" if share < 0.01 else "over 99 %" if share > 0.99 else f"{100 * share:.0f} %"


def listed(items: list[str]) -> str:
    """Words in a row: a, b and c."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]
