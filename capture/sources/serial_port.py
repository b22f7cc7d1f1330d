"""An indicator on a serial port, a USB adapter or an RFC 2217 server."""

from __future__ import annotations

import errno
import logging
import os
import re
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any
from urllib.parse import urlsplit

import serial

from capture.errors import LinkLostError, SourceError, SourceTextError
from capture.profiles import Profile, poll_bytes
from capture.sources.contract import Reader, ReopeningSource
from capture.sources.holders import grabbers_running, holders, permission_cure
from capture.sources.line_errors import Unmarker, checks_line, mark_damage
from capture.sources.serial_finding import find_port, present

WAIT_S = 0.25

PRESENT_S = 0.3
"""How often the system is asked for its ports while one is awaited; asking takes milliseconds."""

PSEUDO = "/dev/pts/"
"""Pseudo-terminals are kept open by whoever made them, which is no reason to leave them alone."""

GRABBED_S = 10.0
"""A service that takes a port does so soon after it has come."""

_log = logging.getLogger("shimwright.link")
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialSource(ReopeningSource):
    """A serial port, opened for this program alone.

    Parameters
    ----------
    target : str
        What `find_port` takes, or an ``rfc2217://`` URL.
    profile : Profile
        Line settings; polling bytes and interval where the device must be asked.

    Raises
    ------
    SourceTextError
        If a URL names no host and port.
    SourceError
        If damage on the line is to be noticed where the system does not tell of it.
    """

    def __init__(self, target: str, profile: Profile) -> None:
        self.name = target if "://" in target else f"serial:{target}"
        self._target = target
        self._v = profile.values
        self._url = "://" in target
        if self._url:
            _check_url(target)
        self._seen: tuple[float, bool | None] = (float("-inf"), None)
        self._told_of = ""
        tells = sys.platform != "win32" and not self._url
        if self._v.get("line_errors") == "check" and not tells:
            raise SourceError(
                f"{self.name}: line_errors is 'check', and damage on the line is not told of here; allowed: 'ignore', "
                "or a port of a computer with Linux or macOS"
            )
        self._marks = tells and checks_line(self._v)

    def present(self) -> bool | None:
        """Whether a port that fits is there."""
        if self._url:
            return None
        now = time.monotonic()
        # A path is quickly looked at, the list of ports is not.
        if self._target.startswith("/") or now - self._seen[0] >= PRESENT_S:
            self._seen = (now, present(self._target))
        return self._seen[1]

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        """Open the port once."""
        with ExitStack() as held:
            port = self._open(held)
            held.callback(self._close, port)
            yield self._reader(port)

    def _close(self, port: Any) -> None:
        # Only this thread closes the port; a failing close of a dead one is of no interest.
        with suppress(Exception):
            self._let_in(port)
        with suppress(Exception):
            port.close()

    def _open(self, held: ExitStack) -> Any:
        url = self._url
        name = self._target if url else find_port(self._target)
        v = self._v
        if not url:
            held.enter_context(claimed(name, self.name))
        try:
            port = serial.serial_for_url(name, do_not_open=True)
            port.baudrate, port.bytesize = v["baud"], v["bytesize"]
            port.parity, port.stopbits = _PARITY[v["parity"]], v["stopbits"]
            port.timeout = WAIT_S
            if not url:
                port.exclusive = True
            if v["lines"] != "leave":
                port.dtr = port.rts = v["lines"] == "assert"
            port.open()
        except (serial.SerialException, OSError) as e:
            raise _explained(e, name) from None
        except (ValueError, OverflowError) as e:
            raise SourceError(f"{name}: a setting of the profile is not possible here ({e})") from None
        except Exception as e:
            # Pulled out while it was being opened: a terminal error is not an OSError.
            raise LinkLostError(f"{name} is not there now ({_short(e)})") from None
        try:
            if not url and sys.platform != "win32":
                self._guard(port, name)
        except BaseException:
            # Refused, it must not go on being kept from others for as long as whoever has it has it.
            with suppress(Exception):
                self._let_in(port)
            with suppress(Exception):
                port.close()
            raise
        if name != self._told_of and name != self._target:
            self._told_of = name
            _log.info("%s is %s", self.name, name)
        return port

    def _guard(self, port: Any, name: str) -> None:
        """Keep others out, make sure that none was in before, and have damage on the line told."""
        import fcntl
        import termios

        try:
            if not os.path.realpath(name).startswith(PSEUDO):
                # The lock keeps out those who ask for one; this keeps out the others.
                fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
                if who := holders(name):
                    # Two who read one port each get half of what it sends.
                    raise SourceError(f"{name} is in use by {', '.join(who)}. Close that program first.")
            if self._marks:
                mark_damage(port.fileno())
        except (OSError, termios.error) as e:
            raise LinkLostError(f"{name} is not there now ({_short(e)})") from None

    def _let_in(self, port: Any) -> None:
        """Undo what keeps others out, for where somebody else goes on holding the port."""
        if not self._url and sys.platform != "win32":
            import fcntl
            import termios

            fcntl.ioctl(port.fileno(), termios.TIOCNXCL)

    def _reader(self, port: Any) -> Reader:
        poll = self._v.get("poll")
        ask = poll_bytes(poll) if poll else None
        interval = float(self._v.get("interval", 1.0 / float(self._v["rate"])))
        take = _take_posix(port) if sys.platform != "win32" and not self._url else _take_any(port)
        unmark = Unmarker().take if self._marks else None
        next_ask = 0.0
        opened = time.monotonic()

        def read() -> bytes:
            nonlocal next_ask
            try:
                if ask is not None and time.monotonic() >= next_ask:
                    next_ask = time.monotonic() + interval
                    port.write(ask)
                data = take(min(WAIT_S, max(0.0, next_ask - time.monotonic())) if ask is not None else WAIT_S)
                return data if unmark is None else unmark(data)
            except Exception as e:
                # Unplugging shows in four ways, one of which (a terminal error) is not even an OSError.
                soon = time.monotonic() - opened < GRABBED_S
                raise LinkLostError(f"indicator unplugged ({_short(e)}){_grabbed() if soon else ''}") from None

        return read


_claims: dict[str, str] = {}
"""The ports this program has open, by their real names, and the source that has each."""

_claiming = threading.Lock()


@contextmanager
def claimed(port: str, source: str) -> Iterator[None]:
    """Have a port for one source of this program: the system only tells that somebody has it.

    Raises
    ------
    SourceError
        If another one has it.
    """
    real = os.path.realpath(port) if os.name == "posix" else port.upper()
    with _claiming:
        first = _claims.get(real)
        if first is not None:
            raise SourceError(
                f"{port} is listened to already, as {first}: {source} is the same port under another name. Leave one out."
            )
        _claims[real] = source
    try:
        yield
    finally:
        with _claiming:
            del _claims[real]


def _check_url(url: str) -> None:
    try:
        parts = urlsplit(url)
        good = bool(parts.hostname) and parts.port is not None and parts.port > 0
    except ValueError:
        good = False
    if not good:
        raise SourceTextError(f"{url}: allowed: rfc2217://host:port with a port from 1 to 65535")


def _grabbed() -> str:
    """What may have taken a port that was lost soon after it was opened."""
    names = grabbers_running()
    if not names:
        return ""
    return f", or taken by {' or '.join(names)}, which runs here: shimwright doctor has the cure"


def _take_posix(port: Any) -> Callable[[float], bytes]:
    """Whatever has arrived, without waiting for more."""
    fd = port.fileno()

    def take(wait: float) -> bytes:
        ready, _, _ = select.select([fd], [], [], wait)
        if not ready:
            return b""
        data = os.read(fd, 4096)
        if not data:
            raise LinkLostError("end of file")
        return data

    return take


def _take_any(port: Any) -> Callable[[float], bytes]:
    def take(wait: float) -> bytes:
        del wait
        first: bytes = port.read(1)
        return first + port.read(port.in_waiting) if first else b""

    return take


def _short(e: Exception) -> str:
    return (e.strerror or str(e)) if isinstance(e, OSError) else str(e) or type(e).__name__


def _explained(e: Exception, name: str) -> LinkLostError | SourceError:
    """Why a port did not open, and what to do."""
    code = getattr(e, "errno", None)
    text = str(e)
    if "://" in name:
        # The library puts the address in front of what the system said, and a number into it.
        said = re.sub(r"\[Errno -?\d+\] ", "", text.removeprefix(f"Could not open port {name}: "))
        return LinkLostError(f"{name} does not answer ({said})")
    if code == errno.ENOENT or "No such file" in text or "FileNotFoundError" in text:
        return LinkLostError(f"no such port: {name}")
    if code in (errno.ENODEV, errno.ENXIO, errno.EIO):
        return LinkLostError(f"{name} is not there now")
    if code == errno.EACCES or "PermissionError" in text or "Access is denied" in text:
        return SourceError(f"No permission to open {name}. {permission_cure(name)}")
    if code in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in text or "busy" in text:
        who = ", ".join(holders(name)) or "another program"
        return SourceError(f"{name} is in use by {who}. Close that program first.")
    if "Could not configure port" in text or code in (errno.ENOTTY, errno.EISDIR):
        return SourceError(f"{name} is not a serial port.")
    return LinkLostError(f"{name}: {text}")
