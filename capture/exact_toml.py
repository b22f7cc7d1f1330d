"""TOML that people write, its figures exact."""

from __future__ import annotations

import tomllib
from typing import Any

from analysis.exact import exact


def exact_toml(text: str) -> dict[str, Any]:
    """The tables of a text, decimals to the last digit.

    Raises
    ------
    ValueError
        If it is not TOML, holds a figure nothing can be reckoned with, or tables too deep in one another.
    """
    try:
        return tomllib.loads(text, parse_float=exact)
    except RecursionError:
        raise ValueError("lists or tables lie too deep in one another") from None
