"""Whole streams to results, one or thousands."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.session import Session
from capture.errors import CaptureError
from capture.replaying import replay

if TYPE_CHECKING:
    from analysis.setup import Setup

MANY = 50
"""Streams from which all cores are used without being asked."""


def replay_into(path: Path, setup: Setup | None = None) -> Session:
    """Session of a whole stream.

    Raises
    ------
    CaptureError
        If the stream or its profile cannot be used.
    """
    session = Session(setup)
    replay(path, session)
    session.close()
    return session


def analyse_stream(path: Path, setup: Setup | None = None) -> dict[str, Any]:
    """One line of ``analyse --json``; a stream that cannot be read gives its line with ``error``."""
    try:
        return {"stream": str(path), **replay_into(path, setup).result()}
    except CaptureError as e:
        return {"stream": str(path), "error": str(e)}
    except Exception as e:  # one bad file never stops the rest
        return {"stream": str(path), "error": f"{path}: could not be analysed: {type(e).__name__}: {e}"}


def analyse_many(
    paths: Sequence[Path], setup: Setup | None = None, workers: int | None = None
) -> Iterator[dict[str, Any]]:
    """Results in the order of `paths`, in constant memory.

    Parameters
    ----------
    workers : int, optional
        Processes; by default one, or every core from `MANY` streams on.
    """
    count = workers if workers is not None else (os.cpu_count() or 1) if len(paths) > MANY else 1
    if count <= 1 or len(paths) < 2:
        for path in paths:
            yield analyse_stream(path, setup)
        return
    with ProcessPoolExecutor(count) as pool:
        waiting: deque[Future[dict[str, Any]]] = deque()
        rest = iter(paths)
        for path in rest:
            waiting.append(pool.submit(analyse_stream, path, setup))
            if len(waiting) >= 4 * count:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
