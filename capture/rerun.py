"""A whole stream once more, with everything kept that a sheet, a figure or a table needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from analysis.tracing import TracingSession
from capture.rawstream import Link, Mark, Record, StreamHeader
from capture.replaying import replay

if TYPE_CHECKING:
    from analysis.setup import Setup


@dataclass(slots=True)
class Rerun:
    """What a stream gave.

    Attributes
    ----------
    path : Path
    header : StreamHeader
    session : TracingSession
        Closed: its result is the one ``analyse`` gives.
    readings : list of Reading
        Every reading, in order.
    marks, links : list
        Marks of the user and changes of the link, in order.
    """

    path: Path
    header: StreamHeader
    session: TracingSession
    readings: list[Reading] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    links: list[Link] = field(default_factory=list)

    def result(self) -> dict[str, Any]:
        """The line of ``analyse --json`` for this stream."""
        return {"stream": str(self.path), **self.session.result()}


def rerun(path: Path, setup: Setup | None = None) -> Rerun:
    """Run a stream through decoder and session again.

    Raises
    ------
    CaptureError
        If the stream or its profile cannot be used.
    """
    session = TracingSession(setup)
    readings: list[Reading] = []
    marks: list[Mark] = []
    links: list[Link] = []

    def note(record: Record) -> None:
        if isinstance(record, Mark):
            marks.append(record)
        elif isinstance(record, Link):
            links.append(record)

    header = replay(path, session, lambda r, _: readings.append(r), note)
    session.close()
    return Rerun(path, header, session, readings, marks, links)
