"""Values as lines of text: the commonest wire format there is.

A pattern with named groups finds the value: ``sign``, ``value``, and if present ``unit``, ``after`` (a sign after the value),
``sum`` (a checksum).  The default pattern takes what most devices send; letters may stand before the value, but no byte with
its high bit set: that is damage, and may have been the sign.

The first line after the link opened is never a reading unless a line end was seen before it: it may lack its start, and what is
left of ``-000.478`` may look whole.  An indicator that is asked for each reading loses its first answer, no more.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal

from analysis.readings import Scale, Unit
from capture.decoders.contract import LARGEST_MM, Damaged, Frame
from capture.decoders.line_form import LineForm

DEFAULT_PATTERN = (
    r"^[^0-9+.,\-\x80-\xff]*(?P<sign>[+-]?)\s*(?P<value>\d+(?:[.,]\d*)?|[.,]\d+)\s*(?P<after>[+-]?)\s*"
    r"(?P<unit>mm|MM|in|IN|inch|INCH|\"|'')?\s*$"
)
LONGEST = 256
REMEMBERED = 4096
"""Lines whose frames are kept."""

_ANY_END = re.compile(rb"[\r\n]")
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)")
_ENDS = {"crlf": b"\r\n", "cr": b"\r", "lf": b"\n"}
_UNITS: dict[str, Unit] = {"mm": "mm", "in": "in", "inch": "in", '"': "in", "''": "in"}


def _xor(body: bytes) -> int:
    out = 0
    for b in body:
        out ^= b
    return out


_SUMS: dict[str, Callable[[bytes], int]] = {"xor-hex": _xor, "sum-hex": lambda body: sum(body) & 0xFF}


class TextLine:
    """Decoder for lines of text.

    Parameters
    ----------
    scale : Scale
        Unit and step where the line does not carry them.
    end : {"any", "crlf", "cr", "lf"}
        Line end; "any" takes all three.
    pattern : str, optional
        Regular expression with a named group ``value``.
    places : int, optional
        Decimal places of a value sent without a point.  Without it such a value counts whole units until a line with a point comes;
        from then on it is damaged.
    checksum : {"none", "xor-hex", "sum-hex"}
        Two hex digits over everything before the group ``sum``.
    """

    def __init__(
        self,
        scale: Scale,
        *,
        end: str = "any",
        pattern: str | None = None,
        places: int | None = None,
        checksum: str = "none",
    ) -> None:
        self._scale = scale
        self._other: dict[tuple[Unit, Decimal], Scale] = {}
        self._end = _ENDS.get(end)
        self._pattern = re.compile(pattern or DEFAULT_PATTERN)
        self._places = places
        self._sum = _SUMS.get(checksum)
        self._held = bytearray()
        self._skipping = False
        self._fresh = False
        self._known: dict[bytes, Frame] = {}
        self._whole: dict[bytes, tuple[Frame, LineForm]] = {}
        self._forms: dict[Unit, LineForm] = {}

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
            return known
        item = self._read(line)
        if isinstance(item, Frame) and self._forms[item.scale.unit].settled:
            if len(self._known) >= REMEMBERED:
                self._known.clear()
            self._known[line] = item
        return item

    def _read(self, line: bytes) -> Frame | Damaged:
        text = line.decode("latin-1")
        m = self._pattern.match(text)
        if m is None or m["value"] is None:
            return Damaged("not a value", line)
        groups = m.groupdict()
        if self._sum is not None:
            stated = groups.get("sum")
            if stated is None or not _is_hex(stated):
                return Damaged("checksum missing", line)
            wanted = self._sum(line[: m.start("sum")])
            if int(stated, 16) != wanted:
                return Damaged(f"checksum is {stated}, should be {wanted:02X}", line)
        body = groups["value"].strip().replace(",", ".")
        before, after = groups.get("sign") or "", groups.get("after") or ""
        if before and after:
            return Damaged("two signs", line)
        if not _PLAIN.fullmatch(body):
            # An own pattern may let through what a decimal takes and a display never shows: words, powers of ten.
            return Damaged("not a number", line)
        value = Decimal(body)
        if "." not in body and self._places is not None:
            value = value.scaleb(-self._places)
        if "-" in (before, after):
            value = -value
        item = self._frame(value, groups.get("unit"), body, line)
        if isinstance(item, Frame):
            form = self._forms.get(item.scale.unit)
            if form is None:
                form = self._forms[item.scale.unit] = LineForm(self._places is not None or item.scale.step >= 1)
            why = form.judge(line, before or after, body)
            if why is not None:
                return Damaged(why, line)
        return item

    def _frame(self, value: Decimal, unit_text: str | None, body: str, line: bytes) -> Frame | Damaged:
        scale = self._scale
        if unit_text:
            unit = _UNITS.get(unit_text.lower())
            if unit is None:
                return Damaged(f"unit {unit_text!r} is not mm or in", line)
            if unit != scale.unit:
                # The step of the other unit is what the digits show.
                digits = len(body.partition(".")[2])
                key = (unit, Decimal(1).scaleb(-digits))
                scale = self._other.setdefault(key, Scale(key[1], unit))
        counts, exact = scale.counts_of(value)
        if not exact:
            return Damaged(f"value {value} is not a whole number of steps of {scale.step} {scale.unit}", line)
        if abs(value) * (Decimal("25.4") if scale.unit == "in" else 1) > LARGEST_MM:
            return Damaged("value out of any indicator's range", line)
        return Frame(counts, scale, f"{value} {scale.unit}")


def _is_hex(text: str) -> bool:
    return bool(re.fullmatch(r"[0-9A-Fa-f]{2}", text))
