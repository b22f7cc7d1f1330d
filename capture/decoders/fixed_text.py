"""Values as pieces of text of one length that follow each other without an end between them."""

from __future__ import annotations

from typing import Any

from analysis.readings import Scale
from capture.decoders.contract import Damaged, Frame
from capture.decoders.fixed_frames import FixedFrames
from capture.decoders.text_value import TextValue


class FixedText:
    """Decoder for such pieces; where they begin is found from what fits the pattern several times in a row.

    Parameters
    ----------
    scale : Scale
        Unit and step where the text does not carry them.
    length : int
        Bytes of a piece.
    **how
        What finds the value, see `TextValue`.
    """

    def __init__(self, scale: Scale, *, length: int, **how: Any) -> None:
        self._value = TextValue(scale, **how)
        self._frames = FixedFrames(length, self._judge, False)

    def reset(self) -> None:
        """Forget half a piece."""
        self._frames.reset()

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        return self._frames.feed(data)

    def _judge(self, data: bytes) -> Frame | str:
        found = self._value.read(data)
        return found if isinstance(found, str) else found.frame
