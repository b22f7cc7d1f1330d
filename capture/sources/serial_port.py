"""An indicator on a serial port, a USB adapter or an RFC 2217 server."""

from __future__ import annotations

import errno
import fnmatch
import glob
import os
import select
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

import serial
from serial.tools import list_ports

from capture.errors import LinkLostError, SourceError
from capture.profiles import Profile, poll_bytes
from capture.sources.contract import Reader, ReopeningSource
from capture.sources.holders import group_of, holders

WAIT_S = 0.25
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


def find_port(pattern: str) -> str:
    """The one port a name or pattern stands for.

    Parameters
    ----------
    pattern : str
        A path, a Windows port name, or a pattern with ``*`` matched against paths, descriptions and hardware identities.

    Raises
    ------
    LinkLostError
        If no port fits now.
    SourceError
        If several do.
    """
    if not any(c in pattern for c in "*?["):
        return pattern
    fits = sorted(glob.glob(pattern))
    if not fits:
        fits = sorted(
            p.device
            for p in list_ports.comports()
            if any(fnmatch.fnmatch(x or "", pattern) for x in (p.device, p.description, p.hwid))
        )
    if not fits:
        raise LinkLostError(f"no port fits {pattern}")
    real = {os.path.realpath(p) for p in fits}
    if len(real) > 1:
        raise SourceError(f"{len(real)} ports fit {pattern}: {', '.join(fits)}. Name one of them.")
    return fits[0]


class SerialSource(ReopeningSource):
    """A serial port, opened for this program alone.

    Parameters
    ----------
    target : str
        Path, port name, pattern, or an ``rfc2217://`` URL.
    profile : Profile
        Line settings; polling bytes and interval where the device must be asked.
    """

    def __init__(self, target: str, profile: Profile) -> None:
        self.name = target if "://" in target else f"serial:{target}"
        self._target = target
        self._v = profile.values

    def present(self) -> bool | None:
        """Whether a port of that name is there."""
        if "://" in self._target or not self._target.startswith("/"):
            return None
        return bool(glob.glob(self._target)) or os.path.exists(self._target)

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        """Open the port once."""
        port = self._open()
        try:
            yield self._reader(port)
        finally:
            # Only this thread closes the port; a failing close of a dead one is of no interest.
            with suppress(Exception):
                port.close()

    def _open(self) -> Any:
        url = "://" in self._target
        name = self._target if url else find_port(self._target)
        v = self._v
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
        return port

    def _reader(self, port: Any) -> Reader:
        poll = self._v.get("poll")
        ask = poll_bytes(poll) if poll else None
        interval = float(self._v.get("interval", 1.0 / float(self._v["rate"])))
        take = _take_posix(port) if sys.platform != "win32" and "://" not in self._target else _take_any(port)
        next_ask = 0.0

        def read() -> bytes:
            nonlocal next_ask
            try:
                if ask is not None and time.monotonic() >= next_ask:
                    next_ask = time.monotonic() + interval
                    port.write(ask)
                return take(min(WAIT_S, max(0.0, next_ask - time.monotonic())) if ask is not None else WAIT_S)
            except Exception as e:
                # Unplugging shows in four ways, one of which (a terminal error) is not even an OSError.
                raise LinkLostError(f"indicator unplugged ({_short(e)})") from None

        return read


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
    if code == errno.ENOENT or "No such file" in text or "FileNotFoundError" in text:
        return LinkLostError(f"no such port: {name}")
    if code in (errno.ENODEV, errno.ENXIO, errno.EIO):
        return LinkLostError(f"{name} is not there now")
    if code == errno.EACCES or "PermissionError" in text or "Access is denied" in text:
        return SourceError(
            f"No permission to open {name}. Add yourself to its group: sudo usermod -aG {group_of(name)} $USER, then log out and in again."
        )
    if code in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in text or "busy" in text:
        who = ", ".join(holders(name)) or "another program"
        return SourceError(f"{name} is in use by {who}. Close that program first.")
    if "Could not configure port" in text or code in (errno.ENOTTY, errno.EISDIR):
        return SourceError(f"{name} is not a serial port.")
    return LinkLostError(f"{name}: {text}")
