"""Frames of one size in a stream of bytes: finding where they begin, and finding it again after damage.

Where the fixed parts of a frame cannot occur at any other place of it, the first whole frame is taken.  Where they can, a
place is only believed once it alone explains `SURE` frames in a row; these serve to find it and give no reading.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from capture.decoders.contract import Damaged, Frame

LONGEST_FRAME = 64
LONGEST_JUNK = 256
"""Bytes without a frame that are reported together."""

SURE = 3
REMEMBERED = 4096
"""Frames whose values are kept: a sweep shows the same ones over and over."""

Judge = Callable[[bytes], Frame | str]
"""Gives the value of one frame, or why it is none."""


class LayoutError(ValueError):
    """A layout, or what goes with it, that describes no frame.

    Attributes
    ----------
    key : str
        Profile key at fault.
    allowed : str
        What may stand there.
    """

    def __init__(self, key: str, allowed: str) -> None:
        super().__init__(f"{key}: allowed: {allowed}")
        self.key, self.allowed = key, allowed


def distinct(places: Sequence[frozenset[int] | None], step: int = 1) -> bool:
    """Whether a frame cannot be mistaken for the end of one and the beginning of the next.

    Parameters
    ----------
    places : sequence of frozenset or None
        What may stand at each place; None for anything.
    step : int
        Places a byte holds.
    """
    n = len(places)
    return all(_conflict(places, shift) for shift in range(step, n, step))


def _conflict(places: Sequence[frozenset[int] | None], shift: int) -> bool:
    n = len(places)
    for at, wanted in enumerate(places):
        there = places[(at + shift) % n]
        if wanted is not None and there is not None and not wanted & there:
            return True
    return False


class FixedFrames:
    """Decoder for frames of one size.

    Parameters
    ----------
    size : int
        Bytes of a frame.
    judge : callable
        Value of one frame, or why it is none.
    sure : bool
        Whether a frame is known by itself, see `distinct`.
    """

    def __init__(self, size: int, judge: Judge, sure: bool) -> None:
        self._size = size
        self._judge_new = judge
        self._sure = sure
        self._known: dict[bytes, Frame] = {}
        self._held = bytearray()
        self._junk = bytearray()
        self._why = ""
        self._locked = False
        self._doubt = False
        self._fresh = False

    def reset(self) -> None:
        """Forget half a frame; what comes next may begin in the middle of one."""
        self._held.clear()
        self._junk.clear()
        self._locked = self._doubt = False
        self._fresh = True

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        out: list[Frame | Damaged] = []
        self._held += data
        step = self._slide if self._sure else self._follow
        while step(out):
            pass
        return out

    def _slide(self, out: list[Frame | Damaged]) -> bool:
        """Take a frame, or pass over one byte."""
        if len(self._held) < self._size:
            return False
        item = self._judge(0)
        if isinstance(item, Frame):
            self._take(item, out)
        else:
            self._pass(1, item, out)
        return True

    def _follow(self, out: list[Frame | Damaged]) -> bool:
        """Take the frame that is due; two bad ones in a row mean that bytes were lost or added."""
        if not self._locked:
            return self._search(out)
        at = self._size if self._doubt else 0
        if len(self._held) < at + self._size:
            return False
        item = self._judge(at)
        if isinstance(item, Frame):
            if self._doubt:
                self._pass(self._size, self._why, out)
                self._doubt = False
            self._take(item, out)
        elif not self._doubt:
            self._doubt, self._why = True, item
        else:
            self._locked = self._doubt = False
        return True

    def _search(self, out: list[Frame | Damaged]) -> bool:
        """Find the one place that explains everything; what it took to find it is passed over."""
        n = self._size
        window = n * (SURE + 1)
        if len(self._held) < window:
            return False
        fits = [
            at for at in range(n) if all(isinstance(self._judge(at + k * n), Frame) for k in range((window - at) // n))
        ]
        if len(fits) != 1:
            self._pass(n, "no place where frames could begin", out)
            return True
        self._pass(fits[0] + (window - fits[0]) // n * n, "passed over to find where frames begin", out)
        self._report(out)
        self._locked = True
        return True

    def _judge(self, at: int) -> Frame | str:
        data = bytes(self._held[at : at + self._size])
        known = self._known.get(data)
        if known is not None:
            return known
        item = self._judge_new(data)
        if isinstance(item, Frame):
            if len(self._known) >= REMEMBERED:
                self._known.clear()
            self._known[data] = item
        return item

    def _take(self, item: Frame, out: list[Frame | Damaged]) -> None:
        self._report(out)
        out.append(item)
        del self._held[: self._size]
        self._fresh = False

    def _pass(self, count: int, why: str, out: list[Frame | Damaged]) -> None:
        if not self._junk:
            self._why = why
        self._junk += self._held[:count]
        del self._held[:count]
        if len(self._junk) >= LONGEST_JUNK:
            self._report(out)

    def _report(self, out: list[Frame | Damaged]) -> None:
        if self._junk:
            out.append(Damaged(self._why, bytes(self._junk), self._fresh))
            self._junk.clear()
            # More than this is no half frame but the wrong profile, and must show.
            self._fresh = False
