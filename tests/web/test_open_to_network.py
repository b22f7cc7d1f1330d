"""A page open to the network answers under this machine's own addresses, and under no name that is made to point here."""

from __future__ import annotations

import ipaddress
import json
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from capture.simulator.pty_bench import PtyBench
from web.cli import serve as serve_module
from web.cli.addresses import in_url, is_loopback, is_wildcard, own_addresses
from web.cli.serve import reachable

OWN = [x for x in own_addresses() if ":" not in x]


def test_own_addresses_are_addresses_of_this_machine() -> None:
    import socket

    for address in own_addresses():
        ip = ipaddress.ip_address(address)
        assert not ip.is_loopback
        with socket.socket(socket.AF_INET6 if ip.version == 6 else socket.AF_INET) as s:
            s.bind((address, 0))  # only an address of this machine can be bound


@pytest.mark.parametrize(
    ("host", "wildcard", "loopback"),
    [
        ("0.0.0.0", True, False),
        ("::", True, False),
        ("", True, False),
        ("127.0.0.1", False, True),
        ("127.1.2.3", False, True),
        ("::1", False, True),
        ("localhost", False, True),
        ("192.0.2.7", False, False),
        ("shop.example", False, False),
    ],
)
def test_kinds_of_hosts(host: str, wildcard: bool, loopback: bool) -> None:
    assert is_wildcard(host) is wildcard
    assert is_loopback(host) is loopback


def test_what_is_said_and_let_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serve_module, "own_addresses", lambda: ["192.0.2.7", "2001:db8::7"])
    local = ("127.0.0.1", "localhost", "[::1]")
    assert reachable("127.0.0.1", 80) == (
        "http://127.0.0.1:80/",
        local,
        "shimwright: the page is at http://127.0.0.1:80/ (stop with Ctrl-C)\n",
    )
    address, hosts, told = reachable("0.0.0.0", 80)
    assert address == "http://127.0.0.1:80/"
    assert hosts == (*local, "192.0.2.7")
    assert "open to the network at http://192.0.2.7:80/" in told
    address, hosts, told = reachable("::", 80)
    assert address == "http://[::1]:80/"
    assert hosts == (*local, "192.0.2.7", "[2001:db8::7]")
    _, hosts, told = reachable("192.0.2.7", 80)
    assert hosts == (*local, "192.0.2.7")
    assert "open to the network" in told
    monkeypatch.setattr(serve_module, "own_addresses", list)
    assert "no address there yet" in reachable("0.0.0.0", 80)[2]
    assert in_url("192.0.2.7") == "192.0.2.7"


def status(url: str, host: str | None = None, origin: str | None = None) -> int:
    """Status of a request, of a command if it bears an origin."""
    headers = ({"Host": host} if host else {}) | ({"Origin": origin} if origin else {})
    data = json.dumps({"mark": "reseat"}).encode() if origin else None
    request = urllib.request.Request(url, data, headers | {"Content-Type": "application/json"})
    try:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=10) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as e:
        return e.code


@pytest.mark.skipif(not OWN, reason="this machine has no network address")
def test_the_real_page_is_open_under_own_addresses_only(tmp_path: Path) -> None:
    bench = PtyBench(tmp_path / "indicator")
    script = str(Path(sys.executable).with_name("shimwright"))
    command = [script, "serve", f"serial:{bench.link}", "--host", "0.0.0.0", "--port", "0", "--no-browser"]
    try:
        with subprocess.Popen(
            [*command, "--record", str(tmp_path / "s")], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as process:
            try:
                assert process.stdout is not None
                base = process.stdout.readline().split()[5]
                told = process.stdout.readline()
                port = base.rstrip("/").rpartition(":")[2]
                assert f"open to the network at http://{OWN[0]}:{port}/" in told
                there = f"http://{OWN[0]}:{port}"
                assert status(f"{base}api/state") == 200
                assert status(f"{there}/api/state") == 200
                assert status(f"{there}/api/state", host=f"evil.example:{port}") == 400
                assert status(f"{there}/api/mark", origin=there) == 204
                assert status(f"{there}/api/mark", origin="http://evil.example") == 403
                assert (
                    status(f"{there}/api/mark", host=f"evil.example:{port}", origin=f"http://evil.example:{port}")
                    == 400
                )
            finally:
                process.terminate()
                process.wait(10)
    finally:
        bench.stop()
