"""Errors of the evidence store, in words that say what to do."""

from __future__ import annotations

from capture.errors import CaptureError


class StoreError(CaptureError):
    """The evidence store cannot do what was asked."""


class StoreBusyError(StoreError):
    """Another program is writing; trying again may help."""


class StoreUnreachableError(StoreError):
    """The store cannot be reached now; trying again may help."""
