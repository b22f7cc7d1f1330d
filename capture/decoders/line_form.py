"""What all lines of one indicator have in common, so that a line which lost some of its bytes is told from a whole one.

A cable that drops bytes leaves text that still is a number: ``+12`` or ``012.34`` or ``000.478`` out of ``-000.478``.
Only the lines around it can tell.
"""

from __future__ import annotations

LEARNT = 16
"""Differing lines that must agree before their form counts as the indicator's."""

MOST_PLACES = 9
"""Decimal places beyond which no display goes."""

LEAST_STRAYS = 4
MOST_STRAYS = 0.05
"""Share of lines out of form above which the form was none: some indicators leave out closing zeros."""


LEARNT_WORDS = 4
"""Lines in a row whose words before the value are as long, from which on others stand out: what an indicator says of its battery or
itself, between readings."""


class LineForm:
    """Form of the lines of one unit: decimal point, decimal places, padding zeros, sign.

    A point is expected from the first line on that has one; the rest once `LEARNT` differing lines agree.

    Parameters
    ----------
    point_may_lack : bool
        Whether a line without a point is stated to be good.
    step_places : int
        Decimal places of the display step.
    """

    def __init__(self, point_may_lack: bool = False, step_places: int = MOST_PLACES) -> None:
        self._point_may_lack = point_may_lack
        self._step_places = step_places
        self.settled = False
        """True once the form is known: a line already found in form need not be looked at again."""
        self.lines = 0
        self._pointed = False
        self._last = b""
        self._plus = False
        self._signed = True
        self._padded = False
        self._places: set[int] = set()
        self._wholes: set[int] = set()
        self._powers: set[int] = set()
        self._strays = 0

    def judge(self, line: bytes, sign: str, body: str, exponent: str = "") -> str | None:
        """Why a line is out of form; None if it is not.

        Parameters
        ----------
        line : bytes
        sign : str
            The sign shown, before or after the value; empty if there is none.
        body : str
            Digits with at most one point, perhaps after a sign.
        exponent : str
            A power of ten as it is written.
        """
        if body[0] in "+-":
            sign, body = body[0], body[1:]
        whole, point, decimals = body.partition(".")
        if self._pointed and not point and not self._point_may_lack:
            return "no decimal point, unlike the lines before"
        zero = not body.strip("0.")
        if self.settled and len(decimals) > max(self._step_places, *self._places, 0):
            # It may lie on a step by chance, in the other unit.
            return "more decimal places than the lines before: was the unit changed?"
        if self.settled:
            why = self._stray(whole, decimals, sign, zero) or self._short_power(exponent)
            if why is not None:
                self._strays += 1
                if self._strays >= LEAST_STRAYS and self._strays > MOST_STRAYS * self.lines:
                    self._places.clear()
                    self._wholes.clear()
                    self._powers.clear()
                    self._signed = False
                return why
        self.lines += 1
        # A display may stand below zero for long before it shows a plus.
        self._plus = self._plus or sign == "+"
        self._signed = self._signed and (bool(sign) or zero)
        if self.settled:
            return None
        self._pointed = self._pointed or bool(point)
        self._places.add(len(decimals))
        self._wholes.add(len(whole))
        self._powers.add(len(exponent))
        self._padded = self._padded or (len(whole) > 1 and whole[0] == "0")
        if line == self._last:
            # A display at rest says the same over and over, and nothing about its form.
            self.lines -= 1
        self._last = line
        self.settled = self.lines >= LEARNT
        return None

    def _stray(self, whole: str, decimals: str, sign: str, zero: bool) -> str | None:
        if len(self._places) == 1 and len(decimals) < min(self._places):
            return "fewer decimal places than the lines before"
        if self._padded and len(self._wholes) == 1 and len(whole) < min(self._wholes):
            return "fewer digits than the lines before"
        # Without a plus in any line the indicator shows a sign below zero only.
        if self._plus and self._signed and not sign and not zero:
            return "no sign, unlike the lines before"
        return None

    def _short_power(self, exponent: str) -> str | None:
        if self._powers and len(exponent) < min(self._powers):
            return "a shorter power of ten than the lines before"
        return None


class WordForm:
    """What stands before the value: a line with another word there is none of the readings, unless such lines go on.

    A status letter may change or come and go.
    """

    def __init__(self) -> None:
        self._lengths: set[int] = set()
        self._learnt = 0
        self._other = -1
        self.others = 0
        """Lines in a row out of form; set to 0 for a line already found in form."""

    def judge(self, ahead: str) -> str | None:
        """Why a line with this before its value is out of form; None if it is not."""
        length = len("".join(ahead.split()))
        if not self._lengths or any(abs(length - n) <= 1 for n in self._lengths):
            self._lengths.add(length)
            self._learnt += 1
            self.others = 0
            return None
        if self._learnt < LEARNT_WORDS:
            # What came first may itself have been the odd one out.
            self._lengths, self._learnt = {length}, 1
            return None
        self.others = self.others + 1 if length == self._other else 1
        self._other = length
        if self.others >= LEARNT:
            self._lengths, self.others = {length}, 0
            return None
        return f"{ahead.strip()!r} before the value, unlike the lines before"
