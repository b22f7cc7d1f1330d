"""A whole stream once more, with everything kept that a sheet, a figure or a table needs."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.readings import Reading
from analysis.tracing import TracingSession
from capture.pipeline import Pipeline
from capture.profiles import load_profile
from capture.rawstream import Link, Mark, Rx, StreamHeader, read_header, read_records

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
    header = read_header(path)
    profile = load_profile(header.profile, f"{path}, line 1, profile")
    out = Rerun(path, header, TracingSession(setup))
    pipe = Pipeline(profile, out.session, lambda r, _: out.readings.append(r))
    for record in read_records(path):
        if isinstance(record, Rx):
            pipe.chunk(record.t, record.data)
        elif isinstance(record, Mark):
            out.marks.append(record)
            pipe.mark(record.t, record.mark)
        elif isinstance(record, Link):
            out.links.append(record)
            pipe.link(record.t, record.state, record.why)
    out.session.close()
    return out
