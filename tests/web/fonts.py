"""The drawing library opens its fonts with the first figure and keeps them: done before a test is watched for what it leaves open."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="module", autouse=True)
def fonts_open() -> None:
    """Draw something in both weights."""
    from web.figures.drawing import canvas

    with canvas("fonts") as d:
        d.axes[0].set_xlabel("x")
        d.say("title", "words")
