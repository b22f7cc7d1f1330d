"""This machine's own addresses, as its sockets know them; no name is looked up anywhere."""

from __future__ import annotations

import ipaddress
import socket
import struct
from contextlib import suppress
from pathlib import Path

LOCAL_HOSTS = ("127.0.0.1", "localhost", "[::1]")
"""Names of the loopback, as they stand in a URL."""

_GET_ADDRESS = 0x8915
"""SIOCGIFADDR of Linux: the IPv4 address of an interface."""

_ELSEWHERE = (
    (socket.AF_INET, "192.0.2.1"),
    (socket.AF_INET6, "2001:db8::1"),
)
"""Addresses that RFC 5737 and RFC 3849 keep for documentation: no packet is sent, only the way there is looked up."""


def own_addresses() -> list[str]:
    """Addresses of the network interfaces, IPv6 ones in full, loopback ones left out; the one that leads out of here first."""
    found: list[str] = []
    for address in (*_towards_elsewhere(), *_ipv4_of_interfaces(), *_ipv6_of_interfaces()):
        ip = ipaddress.ip_address(address)
        if not (ip.is_loopback or ip.is_unspecified or ip.is_link_local) and str(ip) not in found:
            found.append(str(ip))
    return found


def in_url(address: str) -> str:
    """An address as it stands in a URL."""
    return f"[{address}]" if ":" in address else address


def is_wildcard(host: str) -> bool:
    """Whether serving on this address means all addresses of the machine."""
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return host == ""


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach this address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _ipv4_of_interfaces() -> list[str]:
    try:
        import fcntl
    except ImportError:
        return []
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
        for _, name in socket.if_nameindex():
            with suppress(OSError):
                answer = fcntl.ioctl(s.fileno(), _GET_ADDRESS, struct.pack("256s", name.encode()[:15]))
                found.append(socket.inet_ntoa(answer[20:24]))
    return found


def _ipv6_of_interfaces() -> list[str]:
    try:
        lines = Path("/proc/net/if_inet6").read_text("ascii").splitlines()
    except OSError:
        return []
    return [socket.inet_ntop(socket.AF_INET6, bytes.fromhex(x.split()[0])) for x in lines if x]


def _towards_elsewhere() -> list[str]:
    found = []
    for family, there in _ELSEWHERE:
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as s:
            s.connect((there, 9))
            found.append(s.getsockname()[0].partition("%")[0])
    return found
