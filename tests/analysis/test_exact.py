"""Figures as they were written, and those nothing can be reckoned with."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.exact import LARGEST_POWER, exact
from analysis.job.quantities import DIGITS, QuantityError, quantity
from analysis.setup import SetupError, parse_setup


@given(st.decimals(allow_nan=False, allow_infinity=False, places=9, min_value=-(10**9), max_value=10**9))
def test_a_figure_keeps_every_digit(value: Decimal) -> None:
    assert exact(str(value)).as_tuple() == value.as_tuple()


@pytest.mark.parametrize(
    "text",
    ["1e401", "-1e401", "1e-401", "0e999999999", "0e-999999999", "1e999999999", "1e9999999999999999999", "61,7", ""],
)
def test_a_figure_nothing_can_be_reckoned_with_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"no number|far larger or smaller"):
        exact(text)


def test_what_a_double_has_is_taken() -> None:
    for text in ("1.7976931348623157e308", "5e-324", "-0.0005", f"1e{LARGEST_POWER}"):
        assert exact(text) == Decimal(text)


@pytest.mark.parametrize("power", ["999999999", "-999999999"])
def test_a_program_that_gives_such_a_figure_is_told(power: str) -> None:
    figure = Decimal(f"1e{power}")
    with pytest.raises(QuantityError, match=f"at most {DIGITS} digits"):
        quantity(figure, "length", "mm")
    with pytest.raises(SetupError, match=r"1000000 at most|less than the nominal"):
        parse_setup({"gearset": {"nominal": figure, "tolerance": Decimal("0.03")}})
