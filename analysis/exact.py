"""A decimal figure as it was written, unless nothing can be reckoned with it."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation

LARGEST_POWER = 400
"""Power of ten of the first and of the last digit, either way: more than a double has (308).  What lies beyond it is refused where it is read,
since a dozen characters such as ``1e999999999`` would otherwise be written out as a milliard digits, or overflow far from where they stand."""


def exact(text: str) -> Decimal:
    """The figure, to the last digit.

    Parameters
    ----------
    text : str
        As JSON and TOML write numbers.

    Returns
    -------
    Decimal
        Not finite where the text says so.

    Raises
    ------
    ValueError
        If it is no number, or its digits lie farther from the point than `LARGEST_POWER`.
    """
    try:
        value = Decimal(text)
    except InvalidOperation:
        raise ValueError(f"{text[:40]} is no number that can be reckoned with") from None
    if value.is_finite() and (
        abs(int(value.as_tuple().exponent)) > LARGEST_POWER or abs(value.adjusted()) > LARGEST_POWER
    ):
        raise ValueError(f"{text[:40]} is far larger or smaller than any length, torque or temperature")
    return value
