"""Which indicator ``serve`` begins with: the one it is given, or else the one that was chosen on the page earlier, or none yet."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from capture.chosen import chosen_file, kept_choice
from capture.errors import CaptureError
from capture.sources.not_chosen import NOT_CHOSEN


class Begun(NamedTuple):
    """What to begin with.

    Attributes
    ----------
    source : str
    profile : str or None
        Name of the profile it was chosen with.
    file : Path or None
        Where the choice is kept, if it is that one.
    said : str
        What is told about it at the start; may be empty.
    """

    source: str
    profile: str | None
    file: Path | None
    said: str


def begin_with(source: str | None) -> Begun:
    """What is given wins; where nothing is given and nothing was chosen, the page opens without an indicator and finds one.

    Raises
    ------
    CaptureError
        If what was chosen cannot be read, and nothing is given.
    """
    if source is not None:
        return Begun(source, None, None, _left_aside(source))
    kept, file = kept_choice(), chosen_file()
    if kept is None:
        return Begun(
            NOT_CHOSEN,
            None,
            None,
            "shimwright: no indicator is chosen yet: open Indicator on the page, which finds it and keeps the choice; "
            "or give it: shimwright serve SOURCE (shimwright doctor lists the ports)\n",
        )
    return Begun(
        kept.source,
        kept.profile,
        file,
        f"shimwright: listening to {kept.source} with the profile {kept.profile}, chosen on the page earlier ({file}); "
        "if it is not there yet, it is waited for. To choose another, open Indicator on the page, or give it: shimwright serve SOURCE\n",
    )


def _left_aside(source: str) -> str:
    try:
        kept = kept_choice()
    except CaptureError:
        return ""  # of no interest to somebody who names another
    if kept is None or kept.source == source:
        return ""
    return f"shimwright: listening to {source} as it was given; {kept.source}, chosen on the page earlier, is left aside this time\n"
