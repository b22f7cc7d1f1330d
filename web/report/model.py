"""What a sheet is made of: sections of plain blocks, the same for every way of showing it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from web.figures.drawing import Figure


@dataclass(frozen=True, slots=True)
class Facts:
    """Named values with where each comes from; rows of (name, value, source)."""

    rows: tuple[tuple[str, str, str], ...]
    kind: Literal["facts"] = "facts"


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `numbers` are the columns set flush right."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    title: str = ""
    kind: Literal["table"] = "table"


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `weight` says whether it is the answer, a warning, or plain."""

    text: str
    weight: Literal["plain", "answer", "warning"] = "plain"
    kind: Literal["text"] = "text"


@dataclass(frozen=True, slots=True)
class Points:
    """A list."""

    items: tuple[str, ...]
    kind: Literal["points"] = "points"


@dataclass(frozen=True, slots=True)
class Picture:
    """A figure."""

    figure: Figure
    kind: Literal["picture"] = "picture"


@dataclass(frozen=True, slots=True)
class Verbatim:
    """Text exactly as it was read."""

    text: str
    kind: Literal["verbatim"] = "verbatim"


@dataclass(frozen=True, slots=True)
class Blanks:
    """Lines to be filled in by hand."""

    labels: tuple[str, ...]
    kind: Literal["blanks"] = "blanks"


Block = Facts | Table | Text | Points | Picture | Verbatim | Blanks


@dataclass(frozen=True, slots=True)
class Section:
    """A headed part of the sheet; `level` 2 or 3."""

    ident: str
    title: str
    blocks: tuple[Block, ...]
    level: int = 2


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole sheet; `record` is what checking it needs."""

    title: str
    lead: tuple[Block, ...]
    sections: tuple[Section, ...]
    record: dict[str, object] = field(default_factory=dict)
