"""A job at the bench: the station listens with the job's own set-up, and what it recorded goes into the job.

The set-up is worked out from the job's entries.  It may change while a set runs; the set that runs keeps the one it began with,
as the file beside its raw stream says, and the next set takes the new one.  A set with no reading yet is begun anew at once.
"""

from __future__ import annotations

import re
import threading
from pathlib import Path
from typing import Any, NamedTuple

from analysis.job.derive import setup_for
from analysis.job.entries import Problem
from analysis.setup import Setup, SetupError
from analysis.telling import shown
from capture.errors import CaptureError
from capture.jobs.bench_memory import remember, remembered
from capture.jobs.errors import EntryRefusedError, JobFileError
from capture.jobs.folder import JobFolder
from capture.jobs.ring_streams import SO_FAR, indicator_mpe_mm
from capture.setup_file import setup_text
from capture.station import Station

Made = tuple[Setup | None, bytes | None]
"""A set-up, and the content of the file that gives it."""

_RECORDING = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,79}$")


class Began(NamedTuple):
    """The job a station was started for, and the set-up it would have without one."""

    job: str
    own: Made


def at_start(jobs: JobFolder, own: Made) -> tuple[Made, Began | None]:
    """The set-up a station begins with: that of the job that was at the bench when the program ended, else its own."""
    job = remembered(jobs.root)
    if job is not None:
        try:
            return _made(jobs, job), Began(job, own)
        except CaptureError:
            remember(jobs.root, None)
    return own, None


def _made(jobs: JobFolder, job: str) -> Made:
    try:
        setup = setup_for(jobs.get(job).job(), None)
    except SetupError as e:
        raise JobFileError(f"job {job} makes no set-up yet: {e}") from None
    return setup, setup_text(setup)


class AtBench:
    """Which job the station's sets belong to.  Reads files and waits for disks, so not for the event loop's thread.

    Parameters
    ----------
    station : Station
    jobs : JobFolder
    began : Began, optional
        The job the station was started for.
    """

    def __init__(self, station: Station, jobs: JobFolder, began: Began | None = None) -> None:
        self._station, self._jobs = station, jobs
        self._own: Made = (station.setup, station.setup_file) if began is None else began.own
        self._lock = threading.RLock()
        self.job: str | None = None if began is None else began.job

    def take(self, job: str | None) -> None:
        """Measure for this job from now on; None goes back to the set-up the station was started with.

        A set that runs with another set-up ends here; its recording stays.

        Raises
        ------
        JobFileError
            If there is no such job, or what is written down in it makes no set-up.
        CaptureError
            If no new set could be begun.
        """
        with self._lock:
            made = self._setup_of(job)
            if made[0] != self._station.setup:
                self._station.new_set(made)
            self.job = job
            remember(self._jobs.root, job)

    def look(self) -> None:
        """Take over what the job's entries say now, if nothing has been read in the set that runs.

        Raises
        ------
        CaptureError
            As `take`.
        """
        with self._lock:
            if self.job is not None and not self._station.heard:
                self.take(self.job)

    def state(self) -> dict[str, Any]:
        """The job at the bench, and whether the set that runs has the job's set-up of now."""
        with self._lock:
            job, current = self.job, True
            if job is None:
                say = "No job is at the bench."
            else:
                try:
                    current = self._setup_of(job)[0] == self._station.setup
                    say = f"The set that runs is judged with the set-up of job {job}."
                    if not current:
                        say = "The job has changed since this set began. Begin the set anew to have it judged with what is written down now."
                except JobFileError as e:
                    current, say = False, str(e)
        recording = self._station.recording
        return {
            "job": job,
            "current": current,
            "say": say,
            "set": self._station.sets,
            "readings": self._station.heard,
            "recording": None if recording is None else recording.parent.name,
        }

    def end_set(self) -> Path:
        """End the set that runs and begin the next; the raw stream of the one that has ended, closed.

        Raises
        ------
        JobFileError
            If there is nothing to attach.
        CaptureError
            If no new set could be begun.
        """
        with self._lock:
            if self._station.folder is None:
                raise JobFileError("Nothing is recorded here, so there is nothing to put into a job.")
            if not self._station.heard:
                raise JobFileError("No reading has come in this set yet, so there is nothing to put into a job.")
            path = self.new_set()
        assert path is not None
        return path

    def new_set(self) -> Path | None:
        """End the set that runs and begin the next with what the job's entries say now.

        Returns
        -------
        Path or None
            The raw stream of the set that has ended, closed; None where nothing is recorded.

        Raises
        ------
        CaptureError
            If no new set could be begun.
        """
        with self._lock:
            try:
                made = self._setup_of(self.job)
            except JobFileError:
                made = None  # the present one goes on; `state` says why
            return self._station.new_set(made)

    def so_far(self, kind: str) -> dict[str, Any]:
        """What the running recording gives for an entry of this kind, refused places too.

        Raises
        ------
        JobFileError
            If nothing is recorded.
        CaptureError
            If the recording cannot be read.
        """
        path = self._station.recording
        if path is None:
            raise JobFileError("Nothing is recorded here, so nothing can be worked out of it.")
        job = None if self.job is None else self._jobs.get(self.job).job(with_shop=False)
        return SO_FAR[kind](path, None if job is None else indicator_mpe_mm(job))

    def recorded(self, name: object) -> Path:
        """A closed recording of this station by the name of its folder.

        Raises
        ------
        EntryRefusedError
            If there is none.
        """
        folder = self._station.folder
        if isinstance(name, str) and folder is not None and _RECORDING.fullmatch(name):
            path = folder / name / "stream.jsonl"
            if path == self._station.recording:
                raise EntryRefusedError([Problem("recording", shown(name), "left out, to end the set that runs")])
            if path.is_file():
                return path
        raise EntryRefusedError(
            [
                Problem(
                    "recording",
                    shown(name),
                    "the name of a recording of this station, or left out for the set that runs",
                )
            ]
        )

    def _setup_of(self, job: str | None) -> Made:
        return self._own if job is None else _made(self._jobs, job)
