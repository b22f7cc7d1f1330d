"""Where readings come from."""

from __future__ import annotations

import re
from pathlib import Path

from capture.errors import SourceTextError
from capture.profiles import Profile
from capture.sources.contract import Sink, Source

ALLOWED = "serial:PORT (a name, a pattern, VVVV:PPPP:NUMBER or at:PLACE), socket://host:port, rfc2217://host:port, ble:ADDRESS or ble:NAME, replay:FILE, typed, push"

_WINDOWS_PORT = re.compile(r"COM\d+", re.IGNORECASE)
_HOST = re.compile(r"[A-Za-z0-9.-]+:\d{1,5}")


def open_source(text: str, profile: Profile) -> Source:
    """The source a SOURCE text names.

    Raises
    ------
    SourceTextError
        If the text names none.
    SourceError
        If it names one that cannot be used here.
    """
    if text.startswith("serial:") and len(text) > 7:
        from capture.sources.serial_port import SerialSource

        return SerialSource(text.removeprefix("serial:"), profile)
    if text.startswith("rfc2217://"):
        from capture.sources.serial_port import SerialSource

        return SerialSource(text, profile)
    if text.startswith("socket://"):
        from capture.sources.socket_source import SocketSource

        return SocketSource(text)
    if text.startswith("replay:") and len(text) > 7:
        from capture.sources.replay import ReplaySource

        return ReplaySource(Path(text.removeprefix("replay:")))
    if text.startswith("ble:") and len(text) > 4:
        from capture.sources.bluetooth import BluetoothSource

        return BluetoothSource(text.removeprefix("ble:"), profile)
    if text == "push":
        from capture.sources.push import PushSource

        return PushSource()
    if text == "typed":
        from capture.sources.typed import TypedSource

        return TypedSource(profile=profile)
    raise SourceTextError(f"source {text!r} is not known; allowed: {ALLOWED}{_meant(text)}")


def _meant(text: str) -> str:
    """What somebody probably meant who left out the kind of source."""
    if text.startswith("/dev/") or _WINDOWS_PORT.fullmatch(text):
        return f". A serial port is given as serial:{text}"
    if text.endswith((".jsonl", ".jsonl.gz")):
        return f". A recording is given as replay:{text}"
    if _HOST.fullmatch(text):
        return f". A network socket is given as socket://{text}"
    return ""


__all__ = ["Sink", "Source", "open_source"]
