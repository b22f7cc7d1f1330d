"""What the program notes on standard error besides what it was asked for."""

from __future__ import annotations

import logging
import os

from capture.errors import WrongUsageError

LEVELS = ("debug", "info", "warning", "error", "off")


def start_log(usual: str) -> None:
    """Write the program's log to standard error.

    Parameters
    ----------
    usual : str
        Level unless the environment names one in ``SHIMWRIGHT_LOG``.

    Raises
    ------
    WrongUsageError
        If the environment names no level.
    """
    level = os.environ.get("SHIMWRIGHT_LOG", "").lower() or usual
    if level not in LEVELS:
        raise WrongUsageError(f"SHIMWRIGHT_LOG: given {level!r}; allowed: {', '.join(LEVELS)}")
    log = logging.getLogger("shimwright")
    log.propagate = False
    if level == "off":
        log.addHandler(logging.NullHandler())
        return
    handler = logging.StreamHandler()
    handler.setFormatter(logging.Formatter("shimwright: %(levelname)s: %(message)s"))
    log.addHandler(handler)
    log.setLevel(level.upper())
