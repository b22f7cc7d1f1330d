"""One set of readings: its raw stream, and what is made of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.tracing import TracingSession
from capture.clock import Clock, utc_text
from capture.errors import CaptureError
from capture.pipeline import Listener, Pipeline
from capture.profiles import Profile
from capture.rawstream import StreamHeader, StreamWriter, new_folder
from capture.rawstream.disk import DISK, write_small

if TYPE_CHECKING:
    from analysis.setup import Setup
    from capture.decoders import Damaged

SETUP_FILE = "setup.toml"
"""Name of the set-up that is kept beside each raw stream."""


@dataclass
class RunningSet:
    """One set: its recording and what is made of it.

    Attributes
    ----------
    zero, clock_zero : float
        Where the set began, in the source's times and on the clock.
    heard : int
        Readings so far.
    spoilt : bool
        Reading its bytes failed; they are recorded only.
    """

    session: TracingSession
    pipe: Pipeline
    writer: StreamWriter | None
    header: StreamHeader
    zero: float = 0.0
    clock_zero: float = 0.0
    heard: int = 0
    spoilt: bool = False

    def close(self) -> None:
        """Put everything on the disk and close the recording."""
        self.session.close()
        if self.writer is not None:
            self.writer.close()


@dataclass
class SetMaker:
    """Makes sets, each with a raw stream of its own.

    Parameters
    ----------
    folder : Path or None
        Folder for raw streams; nothing is recorded without it.
    clock : Clock
    on_trouble : callable
        Told why lines are not safe on the disk, and None once they are.
    on_reading, on_damaged : callable
        See `Pipeline`.
    """

    folder: Path | None
    clock: Clock
    on_trouble: Callable[[str | None], None]
    on_reading: Listener
    on_damaged: Callable[[float, Damaged], None]

    def make(
        self, number: int, source: str, profile: Profile, setup: Setup | None, setup_file: bytes | None
    ) -> RunningSet:
        """A set of the readings that `profile` makes of what `source` sends.

        Parameters
        ----------
        number : int
        source : str
        profile : Profile
        setup : Setup or None
        setup_file : bytes or None
            Content of the set-up file, kept as it is beside the raw stream.

        Raises
        ------
        CaptureError
            If no raw stream can be made.
        """
        session = TracingSession(setup)
        pipe = Pipeline(profile, session, self.on_reading, self.on_damaged)
        header = StreamHeader(utc_text(self.clock.wall()), source, profile.table)
        return RunningSet(session, pipe, self._recording(number, header, setup_file), header)

    def _recording(self, number: int, header: StreamHeader, setup_file: bytes | None) -> StreamWriter | None:
        if self.folder is None:
            return None
        name = f"{header.started.replace('-', '').replace(':', '')}-{number:03d}"
        path = new_folder(self.folder, name) / "stream.jsonl"
        if setup_file is not None:
            # First, so that no recording ever lies there without it.
            _keep(path.with_name(SETUP_FILE), setup_file)
        return StreamWriter(path, header.source, header.profile, header.started, on_trouble=self.on_trouble)


def _keep(file: Path, content: bytes) -> None:
    try:
        write_small(DISK, file, content)
    except OSError as e:
        raise CaptureError(f"{file} cannot be written: {e.strerror or e}. Look after this disk.") from None
