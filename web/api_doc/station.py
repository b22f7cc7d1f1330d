"""The station, and the indicator it listens to.  Keys may be added; none is renamed."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, Field

from web.api_doc.results import Result


class Link(BaseModel):
    """The connection to the indicator."""

    t: float
    state: str
    why: str


class Counters(BaseModel):
    """What has happened since the start."""

    opens: int
    losses: int
    bytes: int
    readings: int
    damaged: int
    gaps: int
    clock_steps: int


class Recorded(BaseModel):
    """Lines of the raw stream, and those that are on the disk."""

    lines: int
    safe_lines: int


class JudgedWith(BaseModel):
    """The set-up the set is judged with."""

    units: Literal["mm", "in"]
    tolerance_mm: float | None
    aim_mm: float | None
    reading_sense: Literal["grows", "shrinks"] | None


class State(BaseModel):
    """All a page that just arrived needs; the first event of the stream holds the same."""

    source: str
    profile: str
    set: int
    now: float
    period_s: float
    link: Link
    last: dict[str, Any] | None
    trace: list[Any]
    result: Result | None
    number: int = Field(description="counts the results of this set")
    step: dict[str, Any] | None = Field(description="what to do now")
    interrupted: dict[str, Any] | None = Field(description="a set that a stop of the program broke off")
    failure: str | None
    counters: Counters
    store: dict[str, Any] | None
    recording: str | None
    recorded: Recorded | None
    setup: JudgedWith | None


class ConnectStation(BaseModel):
    """The indicator in use."""

    source: str
    profile: str
    set: int
    link: Link
    age_s: float | None
    shown: str | None
    period_s: float
    counters: Counters
    about: dict[str, Any]
    open: list[int] | None
    failure: str | None


class Search(BaseModel):
    """The one search, and what the last one found."""

    doing: Literal["bluetooth", "identify", "read"] | None
    elapsed_s: float | None
    limit_s: float | None
    tries: int
    received: int
    line: dict[str, Any]
    ending: bool
    outcome: str
    said: str
    asked: bool
    mine: bool
    begin: str
    source: str
    candidates: list[dict[str, Any]]
    bluetooth: list[dict[str, Any]] | None
    kept: dict[str, str] | None


class Connect(BaseModel):
    """What the connect page shows."""

    station: ConnectStation
    search: Search


class Searching(BaseModel):
    """A search as it stands."""

    search: Search


class Ports(BaseModel):
    """The serial ports of this computer."""

    ports: list[dict[str, Any]]


class Finding(BaseModel):
    """What stands in the way, and its cure."""

    what: str
    state: Literal["fine", "note", "wrong"]
    cure: str


class Findings(BaseModel):
    """What doctor found."""

    findings: list[Finding]


class KnownProfile(BaseModel):
    """A profile and where it comes from."""

    name: str
    whence: str


class Profiles(BaseModel):
    """The profiles there are."""

    profiles: list[KnownProfile]


class Kept(BaseModel):
    """A profile that was kept, and the command that uses it."""

    file: str
    profile: str
    source: str
    command: str


class Choice(BaseModel):
    """The indicator that was chosen, if one was; else why none can be told."""

    choice: dict[str, Any] | None
    why: str


class Used(BaseModel):
    """What is listened to now, and where the choice is kept."""

    source: str
    profile: str
    set: int
    file: str | None
    why: str
