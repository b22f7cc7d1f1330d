"""The sum a sheet bears of itself, by which a page that a hand changed is told from a program that computes otherwise.

It is no signature: whoever makes the sum anew as well is found out by the raw streams alone.
"""

from __future__ import annotations

import hashlib
import re
from typing import Literal

Seal = Literal["whole", "broken", "none"]

_SEAL = re.compile(r"\n?<!-- sha-256 of all above: ([0-9a-f]{64}) -->\n?")


def sealed(page: str) -> str:
    """The page with its sum as its last line."""
    return f"{page}<!-- sha-256 of all above: {_sum(page)} -->\n"


def seal_of(page: str) -> Seal:
    """Whether a page is the one that was written; line ends that a mail or another system changed do not count."""
    found = list(_SEAL.finditer(_lines(page)))
    if not found:
        return "none"
    return "whole" if found[-1][1] == _sum(unsealed(page)) else "broken"


def unsealed(page: str) -> str:
    """The page without its sum."""
    return _SEAL.sub("", _lines(page))


def _lines(page: str) -> str:
    return page.replace("\r\n", "\n")


def _sum(page: str) -> str:
    return hashlib.sha256(page.rstrip("\n").encode("utf-8")).hexdigest()
