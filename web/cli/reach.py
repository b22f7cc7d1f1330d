"""Where the page can be reached, the sockets for it, and what is said about it at the start."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from capture.errors import CaptureError
from web.addresses import LOCAL_HOSTS, in_url, is_loopback, is_wildcard, own_addresses
from web.door import Door
from web.door.codes import LASTS_S
from web.door.door import link_for, spaced

_TRIES = 20


@dataclass(frozen=True)
class Reach:
    """Where a page is.

    Attributes
    ----------
    here : str
        Its address for this machine's own browser.
    elsewhere : tuple of str
        Its addresses for other devices.
    hosts : tuple of str
        Names it may be asked for by.
    wanted : bool
        Whether it is meant to be open to the network, be there an address or not.
    """

    here: str
    elsewhere: tuple[str, ...]
    hosts: tuple[str, ...]
    wanted: bool


def reach(host: str, port: int) -> Reach:
    """Where a page served on `host` is.

    A page open to the network is so under this machine's own addresses only, as they are at the start: a name that some other
    site's page had point here stays refused.
    """
    everywhere = is_wildcard(host)
    own = own_addresses() if everywhere else [] if is_loopback(host) else [host]
    if everywhere and ":" not in host:
        own = [x for x in own if ":" not in x]
    here = in_url(host) if is_loopback(host) else "127.0.0.1" if ":" not in host or not everywhere else "[::1]"
    return Reach(
        f"http://{here}:{port}/",
        tuple(f"http://{in_url(x)}:{port}/" for x in own),
        (*LOCAL_HOSTS, *(in_url(x) for x in own)),
        not is_loopback(host),
    )


STUCK_S = 10.0
"""A page that takes nothing for so long, or a device that has left the network, is let go; a page that lives connects again."""


@contextmanager
def bound(host: str, port: int) -> Iterator[list[socket.socket]]:
    """Sockets that listen, closed at the end; with one address of this machine served, the loopback is served too.

    Without it nobody would be at this machine, and nobody could let a device in.

    Raises
    ------
    CaptureError
        An address that cannot be served on.
    """
    with ExitStack() as held:
        tries = _TRIES if port == 0 else 1
        for n in range(tries):
            try:
                with ExitStack() as trial:
                    first = trial.enter_context(_listener(host, port))
                    sockets = [first]
                    if not (is_wildcard(host) or is_loopback(host)):
                        sockets.append(trial.enter_context(_listener("127.0.0.1", first.getsockname()[1])))
                    held.enter_context(trial.pop_all())
                break
            except CaptureError:
                # A free port of one address may be taken on the other.
                if n + 1 == tries:
                    raise
        yield sockets


def _listener(host: str, port: int) -> socket.socket:
    six = ":" in host
    both = six and is_wildcard(host) and socket.has_dualstack_ipv6()
    try:
        made = socket.create_server(
            (host, port), family=socket.AF_INET6 if six else socket.AF_INET, dualstack_ipv6=both
        )
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            # Its connections have it too.  What waits to be sent is nothing the server library would ever give up.
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(1000 * STUCK_S))
        return made
    except OSError as e:
        raise CaptureError(
            f"{host}:{port} cannot be served on: {e.strerror}. Choose another port with --port, or --port 0 for a free one."
        ) from None


def told(where: Reach, door: Door, picture: bool = False) -> str:
    """What is said at the start; with a picture of the address and the code for a terminal."""
    out = f"shimwright: the page is at {where.here} (stop with Ctrl-C)\n"
    if where.elsewhere:
        out += f"shimwright: the page is open to the network at {', '.join(where.elsewhere)}: another device sees nothing there until it is paired\n"
        out += pairing_told(door, picture)
    elif where.wanted:
        out += "shimwright: the page is open to the network, but this machine has no address there yet; start again when it has\n"
    if door.push is not None:
        out += f"shimwright: a micro-controller posts with the token in {door.push.file}\n"
    return out


def pairing_told(door: Door, picture: bool) -> str:
    """How a device is paired with the code that holds now, if one does."""
    code = door.codes.current
    if code is None or not door.addresses:
        return ""
    first = door.addresses[0]
    port = first.rstrip("/").rpartition(":")[2]
    out = (
        f"shimwright: to pair a device within {LASTS_S / 60:.0f} min, open {first}pair on it and type {spaced(code)}; "
        f"for another code, open Devices on this computer's page or run shimwright pair --port {port}\n"
    )
    return out + (on_terminal(link_for(first, code)) if picture else "")


def on_terminal(link: str) -> str:
    """The picture, black on white whatever the terminal's colours are."""
    from web.door.qr import as_text

    # The library draws the light parts: in white on black they are what a camera expects.
    return "".join(f"\x1b[97;40m{line}\x1b[0m\n" for line in as_text(link).splitlines())
