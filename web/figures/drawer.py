"""Figures drawn in a process of its own: the drawing library would hold up readings for a tenth of a second, and takes memory.

The process reads what to draw from its input and writes drawings to its output, both as pickles after their length.  It ends when its
input does, so it outlives no program that started it, however that ended.
"""

from __future__ import annotations

import gzip
import os
import pickle
import struct
import subprocess
import sys
import threading
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from web import figures

if TYPE_CHECKING:
    from analysis.tracing import Trace

PATIENCE_S = 30.0
"""Longest time for one figure, the start of the process included; then it is ended."""

_LENGTH = struct.Struct(">Q")


class Order(NamedTuple):
    """A figure to draw: `of` is the trace of a sweep, or the result of a set."""

    name: str
    of: dict[str, Any] | Trace
    narrow: bool = False
    sense: str | None = None


def draw(order: Order) -> bytes | None:
    """The figure as it stands in a page, packed; None where there is nothing to draw."""
    of: Any = order.of
    sense: Any = order.sense
    figure: figures.Figure | None
    with figures.narrow(order.narrow):
        if order.name == "sweep":
            figure = figures.sweep(of)
        elif order.name == "minima":
            figure = figures.minima(of, sense=sense)
        elif order.name == "drift":
            figure = figures.drift(of)
        elif order.name == "budget":
            figure = figures.budget(of)
        else:
            figure = figures.stock(of)
    return None if figure is None else gzip.compress(figure.inline().encode("utf-8"), 4, mtime=0)


class Drawer:
    """The process that draws, started when it is first needed; one caller at a time."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Have the process there; returns before it is ready."""
        if self._process is not None and self._process.poll() is None:
            return
        self.close()
        # The folder this program was started in is nothing to import from; and an interrupt at the keyboard is for this program.
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-c", "from web.figures.drawer import main; main()"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )

    def draw(self, order: Order) -> bytes | None:
        """As `draw`, in the process; waits for it.

        Raises
        ------
        RuntimeError
            If the process ended or took too long; the next figure gets a new one.
        """
        self.start()
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        enough = threading.Timer(PATIENCE_S, process.kill)
        enough.start()
        try:
            _put(process.stdin, order)
            answer: tuple[bool, Any] = _take(process.stdout)
        except (OSError, EOFError) as e:
            self.close()
            raise RuntimeError(f"the figure {order.name} was not drawn: the process that draws ended") from e
        finally:
            enough.cancel()
            enough.join()
        fine, out = answer
        if not fine:
            raise RuntimeError(f"the figure {order.name} was not drawn: {out.decode('utf-8')}")
        drawn: bytes | None = out
        return drawn

    def close(self) -> None:
        """End the process."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        process.wait()


def _put(file: IO[bytes], what: object) -> None:
    data = pickle.dumps(what, pickle.HIGHEST_PROTOCOL)
    file.write(_LENGTH.pack(len(data)) + data)
    file.flush()


def _take(file: IO[bytes]) -> Any:
    head = file.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        raise EOFError
    (size,) = _LENGTH.unpack(head)
    data = file.read(size)
    if len(data) < size:
        raise EOFError
    return pickle.loads(data)


def main() -> None:
    """The process that draws."""
    with suppress(OSError, AttributeError):
        # Whoever reads the indicator comes first.
        os.nice(5)
    # What a library prints must not get among the drawings.
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    with figures.canvas("ready") as d:
        d.say("ready", "ready")
    with suppress(EOFError, BrokenPipeError):
        while True:
            order = _take(sys.stdin.buffer)
            try:
                done, said = True, draw(order)
            except Exception as e:  # told to whoever asked; the next figure is drawn all the same
                done, said = False, f"{type(e).__name__}: {e}".encode("utf-8", "replace")
            _put(out, (done, said))
