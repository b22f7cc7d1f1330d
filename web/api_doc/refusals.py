"""Refusals, and what is said of devices.  Keys may be added; none is renamed."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field


class Refused(BaseModel):
    """Why something was not done."""

    detail: str = Field(description="what was wrong, what is allowed, what to do; for people")


class Problem(BaseModel):
    """One thing wrong with a request."""

    field: str
    given: str
    allowed: str
    nearest: str | None = None


class RefusedFields(Refused):
    """A refusal with every problem, and the recording that was ended before it."""

    problems: list[Problem] = []
    recording: str = ""


class Paired(BaseModel):
    """Whether the asking device is paired, or is this machine."""

    paired: bool
    here: bool | None = None
    id: str | None = None
    name: str | None = None
    writes: bool | None = None


class Devices(BaseModel):
    """The code that holds now and the devices that are paired."""

    open: bool
    addresses: list[str]
    code: dict[str, Any] | None
    guessed: bool
    devices: list[dict[str, Any]]
    push: dict[str, str] | None
