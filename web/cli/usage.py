"""Telling wrong usage of a command from work that cannot be done."""

from __future__ import annotations

from capture.errors import ProfileError, WrongUsageError
from capture.profiles import Profile, load_profile

COMMAND_LINE = "command line"


def profile_of(table: dict[str, object]) -> Profile:
    """Profile of a command's options.

    Raises
    ------
    WrongUsageError
        If an option's value is at fault.
    ProfileError
        If a profile file is.
    """
    try:
        return load_profile(table, COMMAND_LINE)
    except ProfileError as e:
        if str(e).startswith(COMMAND_LINE):
            raise WrongUsageError(str(e)) from None
        raise
