"""Errors of the outside world, each saying what, where, and what to do."""

from __future__ import annotations


class CaptureError(Exception):
    """Root of all errors of this package; its text is fit to be shown."""


class WrongUsageError(CaptureError):
    """Something on the command line that cannot be meant."""


class StreamFormatError(CaptureError):
    """A raw stream that cannot be read."""


class SetupFileError(CaptureError):
    """A set-up file that cannot be used."""


class ProfileError(CaptureError):
    """A profile that cannot be used."""


class SourceError(CaptureError):
    """A source that cannot be opened for a reason that waiting will not cure."""


class SourceTextError(SourceError, WrongUsageError):
    """A SOURCE text that names none."""


class LinkLostError(CaptureError):
    """The link to the indicator is gone for now; trying again may help."""
