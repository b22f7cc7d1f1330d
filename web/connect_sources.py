"""Sources that are asked for on the page: which of them is the indicator in use, and which may be opened now."""

from __future__ import annotations

import os
import re

from fastapi import HTTPException

from capture.doctor.serial_ports import lasting_name
from capture.errors import CaptureError, LinkLostError
from capture.identify.around import is_port
from capture.sources.holders import holders
from capture.sources.serial_finding import find_port
from capture.station import Station
from web.connect_search import Running

_URL = re.compile(r"(socket|rfc2217)://[^\s/@]+:\d{1,5}")
_ONE_BLUETOOTH = (
    "This page listens to {mine} over Bluetooth: looking for another one could cut that off. "
    "Listen to another indicator first, or identify the one in use by its own name."
)


def real(source: str) -> str:
    """What a source stands for, so that two texts for the same thing are alike."""
    if not source.startswith("serial:"):
        return source.lower()
    name = source.removeprefix("serial:")
    try:
        name = find_port(name)
    except CaptureError:
        return source
    return os.path.realpath(name) if os.name == "posix" else name.upper()


def lasting(source: str) -> str:
    """A source by a name that stays when the port's own changes, where the system knows one."""
    if not source.startswith("serial:"):
        return source
    device = source.removeprefix("serial:")
    stays = lasting_name(device)[0] if os.path.exists(device) else None
    return source if stays is None else f"serial:{stays}"


class Sources:
    """Sources as one station sees them."""

    def __init__(self, station: Station) -> None:
        self._station = station

    def listened_to(self) -> str:
        """The indicator in use, by its source."""
        return str(self._station.state()["source"])

    def is_mine(self, source: str) -> bool:
        """Whether it is the indicator in use, under whatever name."""
        mine = self.listened_to()
        return source == mine or real(source) == real(mine)

    def running(self, source: str) -> Running | None:
        """How to listen along, if it is the indicator in use."""
        return Running(self._station.along, self._station.profile) if self.is_mine(source) else None

    def checked(self, source: str) -> str:
        """The source, if it may be opened now.

        Raises
        ------
        HTTPException
            409, 404 or 422 with the reason.
        """
        if source.startswith("ble:") and len(source) > 4:
            return source
        if _URL.fullmatch(source):
            return source
        if not source.startswith("serial:") or len(source) <= 7:
            raise HTTPException(
                422,
                f"source: given {source!r}; allowed: serial:PORT, ble:ADDRESS, socket://host:port, rfc2217://host:port",
            )
        try:
            device = find_port(source.removeprefix("serial:"))
        except CaptureError as e:
            raise HTTPException(404 if isinstance(e, LinkLostError) else 422, str(e)) from None
        if os.name == "posix" and not os.path.exists(device):
            raise HTTPException(404, f"No such port: {device}. Is the cable plugged in?")
        if not is_port(device):
            raise HTTPException(422, f"{device} is not a serial port.")
        if held := holders(device):
            raise HTTPException(409, f"{device} is in use by {', '.join(held)}. Close that program first.")
        return f"serial:{device}"

    def to_look_at(self, source: str) -> tuple[str, Running | None]:
        """A source that may be searched now, and how to listen along where it is in use.

        Raises
        ------
        HTTPException
            As `checked`.
        """
        along = self.running(source)
        if along is not None:
            return source, along
        if source.startswith("ble:") and (mine := self.listened_to()).startswith("ble:"):
            # Looking for one indicator may cut off another that is known by a name as well as by an address.
            raise HTTPException(409, _ONE_BLUETOOTH.format(mine=mine))
        return self.checked(source), None
