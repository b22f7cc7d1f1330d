"""Check values that are written as hex digits in a line of text."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from capture.decoders.checks import crc as crc_function
from capture.decoders.checks import xor_of

KINDS = ("none", "xor-hex", "sum-hex", "complement-hex", "crc-hex")

_HEX = re.compile(r"[0-9A-Fa-f]{1,8}", re.ASCII)


class TextCheck:
    """A check value over some of a line.

    Parameters
    ----------
    kind : str
        One of `KINDS` but the first.  A sum, and its two's complement, may have two or four digits, which say how much of it is kept.
    crc : mapping, optional
        ``width``, ``poly``, ``init``, ``reflected``, ``xorout``, for "crc-hex".
    """

    def __init__(self, kind: str, crc: Mapping[str, Any] | None = None) -> None:
        over: dict[str, tuple[tuple[int, ...], Callable[[bytes], int]]] = {
            "xor-hex": ((2,), xor_of),
            "sum-hex": ((2, 4), sum),
            "complement-hex": ((2, 4), lambda data: -sum(data)),
        }
        if kind == "crc-hex" and crc is not None:
            over["crc-hex"] = ((crc["width"] // 4,), crc_function(**crc))
        self._digits, self._over = over[kind]

    def judge(self, covered: bytes, stated: str | None) -> str | None:
        """Why a line is damaged; None if its check agrees.

        Parameters
        ----------
        covered : bytes
            What the check is over.
        stated : str or None
            Its digits as sent.
        """
        if stated is None or len(stated) not in self._digits or not _HEX.fullmatch(stated):
            return "checksum missing"
        wanted = self._over(covered) & ((1 << 4 * len(stated)) - 1)
        return None if int(stated, 16) == wanted else f"checksum is {stated}, should be {wanted:0{len(stated)}X}"
