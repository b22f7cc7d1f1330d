"""Values as lines of text: the commonest wire format there is.

The first line after the link opened is never a reading unless a line end was seen before it: it may lack its start, and what is
left of ``-000.478`` may look whole.  An indicator that is asked for each reading loses its first answer, no more.
"""

from __future__ import annotations

import re
from typing import Any

from analysis.readings import Scale, Unit
from capture.decoders.contract import Damaged, Frame
from capture.decoders.line_form import LineForm, WordForm
from capture.decoders.text_value import TextValue

LONGEST = 256
REMEMBERED = 4096
"""Lines whose frames are kept."""

_ANY_END = re.compile(rb"[\r\n]")
_ENDS = {"crlf": b"\r\n", "cr": b"\r", "lf": b"\n"}


class TextLine:
    """Decoder for lines of text.

    Parameters
    ----------
    scale : Scale
        Unit and step where the line does not carry them.
    end : str
        Line end: "any" takes "crlf", "cr" and "lf"; else one of these, or the characters themselves.
    **how
        What finds the value, see `TextValue`.
    """

    def __init__(self, scale: Scale, *, end: str = "any", **how: Any) -> None:
        self._value = TextValue(scale, **how)
        self._end = None if end == "any" else _ENDS.get(end) or end.encode("latin-1")
        self._held = bytearray()
        self._skipping = False
        self._fresh = False
        self._known: dict[bytes, Frame] = {}
        self._whole: dict[bytes, tuple[Frame, LineForm]] = {}
        self._forms: dict[Unit, LineForm] = {}
        self._words = WordForm()

    def reset(self) -> None:
        """Forget half a line; the next one may lack its start."""
        self._held.clear()
        self._skipping = False
        self._fresh = True

    @property
    def between_frames(self) -> bool:
        """Whether the next byte is known to begin a line."""
        return not (self._held or self._skipping or self._fresh)

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        clean = not (self._held or self._skipping or self._fresh)
        # Most pieces are one line, and a sweep shows the same lines over and over.
        if clean and (seen := self._whole.get(data)) is not None:
            seen[1].lines += 1
            self._words.others = self._value.bare = 0
            return [seen[0]]
        out: list[Frame | Damaged] = []
        self._held += data
        start = 0
        while (cut := self._next_end(start)) is not None:
            at, after = cut
            line = bytes(self._held[start:at])
            start = after
            if self._skipping:
                self._skipping = False
            elif len(line) > LONGEST:
                out.append(self._too_long(line))
            elif line.strip():
                out.append(self._line(line))
            # Whatever the line was, the next one has its start.
            self._fresh = False
        del self._held[:start]
        # What may be the first half of an end is kept.
        spare = len(self._end) - 1 if self._end is not None else 0
        if len(self._held) > LONGEST + spare:
            if not self._skipping:
                out.append(self._too_long(bytes(self._held)))
            del self._held[: len(self._held) - spare]
            self._skipping = True
            self._fresh = False
        if clean and len(out) == 1 and not self._held:
            self._remember(data, out[0])
        return out

    def _remember(self, data: bytes, item: Frame | Damaged) -> None:
        """Keep a piece that is one whole line, once the line itself is known."""
        if isinstance(item, Frame) and self._known.get(data.strip(b"\r\n")) is item:
            if len(self._whole) >= REMEMBERED:
                self._whole.clear()
            self._whole[data] = item, self._forms[item.scale.unit]

    def _next_end(self, start: int) -> tuple[int, int] | None:
        """Where the next line end begins and where it is over."""
        if self._end is not None:
            at = self._held.find(self._end, start)
            return None if at < 0 else (at, at + len(self._end))
        # A lone return may be the first half of a pair; the empty line that the other half makes is passed over.
        m = _ANY_END.search(self._held, start)
        return m.span() if m is not None else None

    def _too_long(self, line: bytes) -> Damaged:
        return Damaged(f"no line end within {LONGEST} bytes", line[:LONGEST], self._fresh)

    def _line(self, line: bytes) -> Frame | Damaged:
        if self._fresh:
            return Damaged("perhaps cut short", line, True)
        # A sweep shows the same values over and over, and the same line is the same frame.
        if (known := self._known.get(line)) is not None:
            self._forms[known.scale.unit].lines += 1
            self._words.others = self._value.bare = 0
            return known
        item = self._read(line)
        if isinstance(item, Frame) and self._forms[item.scale.unit].settled:
            if len(self._known) >= REMEMBERED:
                self._known.clear()
            self._known[line] = item
        return item

    def _read(self, line: bytes) -> Frame | Damaged:
        found = self._value.read(line)
        if isinstance(found, str):
            return Damaged(found, line)
        if (why := self._words.judge(found.ahead)) is not None:
            return Damaged(why, line)
        scale = found.frame.scale
        form = self._forms.get(scale.unit)
        if form is None:
            form = LineForm(self._value.point_may_lack(scale), self._value.step_places(scale))
            self._forms[scale.unit] = form
        why = form.judge(line, found.sign, found.body, found.exponent)
        return found.frame if why is None else Damaged(why, line)
