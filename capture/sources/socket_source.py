"""An indicator behind a TCP socket."""

from __future__ import annotations

import select
import socket
from collections.abc import Iterator
from contextlib import contextmanager

from capture.errors import LinkLostError, SourceTextError
from capture.sources.contract import Reader, ReopeningSource

CONNECT_S = 2.0
WAIT_S = 0.25


class SocketSource(ReopeningSource):
    """Bytes from ``socket://host:port``."""

    def __init__(self, url: str) -> None:
        self.name = url
        host, _, port = url.removeprefix("socket://").rpartition(":")
        if not host or not (port.isascii() and port.isdigit()) or not 0 < int(port) < 65536:
            raise SourceTextError(f"{url}: allowed: socket://host:port with a port from 1 to 65535")
        self._address = (host.strip("[]"), int(port))

    @contextmanager
    def opened(self) -> Iterator[Reader]:
        """Connect once."""
        try:
            link = socket.create_connection(self._address, timeout=CONNECT_S)
        except OSError as e:
            raise LinkLostError(f"{self.name} does not answer ({e.strerror or e})") from None
        with link:
            link.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

            def read() -> bytes:
                try:
                    if not select.select([link], [], [], WAIT_S)[0]:
                        return b""
                    data = link.recv(4096)
                except OSError as e:
                    raise LinkLostError(f"{self.name}: {e.strerror or e}") from None
                if not data:
                    raise LinkLostError(f"{self.name}: the other side closed the connection")
                return data

            yield read
