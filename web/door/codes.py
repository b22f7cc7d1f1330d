"""The code that is shown here and typed there.

Eight digits, good for ten minutes and for one device.  Five wrong tries shut an address out for ten minutes; twenty in all, from
wherever they come, end the code: whoever guesses has a chance of 20 in 100 million a code, and a new one is made only by a person here.
"""

from __future__ import annotations

import hmac
import secrets
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

DIGITS = 8
LASTS_S = 600.0
TRIES_OF_ONE = 5
TRIES_OF_ALL = 20
SHUT_OUT_S = 600.0
MOST_ADDRESSES = 256


class Refusal(StrEnum):
    """Why a code was not taken."""

    WRONG = "wrong"
    NONE = "none"
    WAIT = "wait"


@dataclass
class _Tries:
    wrong: int = 0
    until: float = 0.0


@dataclass(frozen=True)
class _Code:
    digits: str
    ends: float


class Codes:
    """At most one code at a time.

    Parameters
    ----------
    clock : callable
        Seconds of a monotonic clock.
    """

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._code: _Code | None = None
        self._wrong = 0
        self._tries: OrderedDict[str, _Tries] = OrderedDict()
        self.guessed = False
        """Whether the last code ended because it was guessed at."""

    def make(self) -> str:
        """A new code; the one before no longer holds."""
        digits = f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"
        self._code = _Code(digits, self._clock() + LASTS_S)
        self._wrong = 0
        self.guessed = False
        return digits

    def end(self) -> None:
        """No code holds any longer."""
        self._code = None

    @property
    def current(self) -> str | None:
        """The code that holds now."""
        if self._code is not None and self._clock() >= self._code.ends:
            self._code = None
        return None if self._code is None else self._code.digits

    @property
    def left_s(self) -> float:
        """Seconds for which the code still holds."""
        return 0.0 if self.current is None or self._code is None else self._code.ends - self._clock()

    def wait_s(self, address: str) -> float:
        """Seconds an address has to wait after too many wrong tries."""
        tries = self._tries.get(address)
        return 0.0 if tries is None else max(0.0, tries.until - self._clock())

    def take(self, typed: str, address: str) -> Refusal | None:
        """Spend the code if it is the one typed; spaces and dashes in it do not count."""
        if self.wait_s(address):
            return Refusal.WAIT
        current = self.current
        digits = "".join(c for c in typed if c not in " -\u00a0\u2009")
        if current is None:
            # Nothing can be guessed, so nothing is counted: somebody with a code that has run out is not shut out for it.
            return Refusal.NONE
        if hmac.compare_digest(digits.encode("utf-8", "replace"), current.encode()):
            self._code = None
            self._tries.pop(address, None)
            return None
        self._count(address)
        return Refusal.WRONG

    def _count(self, address: str) -> None:
        tries = self._tries.pop(address, None) or _Tries()
        if tries.until and tries.until <= self._clock():
            tries = _Tries()
        tries.wrong += 1
        if tries.wrong >= TRIES_OF_ONE:
            tries.until = self._clock() + SHUT_OUT_S
        self._tries[address] = tries
        while len(self._tries) > MOST_ADDRESSES:
            self._tries.popitem(last=False)
        self._wrong += 1
        if self._wrong >= TRIES_OF_ALL:
            self._code = None
            self.guessed = True
