"""A page open to the network answers under this machine's own addresses, and under no name that is made to point here."""

from __future__ import annotations

import ipaddress
import json
import os
import re
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from capture.errors import CaptureError
from capture.simulator.pty_bench import PtyBench
from tests.capture.live import LONG_S
from tests.ports import ReservedPort
from web.addresses import in_url, is_loopback, is_wildcard, own_addresses
from web.cli import reach as reach_module
from web.cli.reach import bound, reach, told
from web.door import Door

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


def test_where_it_is_and_let_in(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reach_module, "own_addresses", lambda: ["192.0.2.7", "2001:db8::7"])
    local = ("127.0.0.1", "localhost", "[::1]")
    here = reach("127.0.0.1", 80)
    assert (here.here, here.elsewhere, here.hosts, here.wanted) == ("http://127.0.0.1:80/", (), local, False)
    four = reach("0.0.0.0", 80)
    assert four.here == "http://127.0.0.1:80/"
    assert four.elsewhere == ("http://192.0.2.7:80/",)
    assert four.hosts == (*local, "192.0.2.7")
    both = reach("::", 80)
    assert both.here == "http://[::1]:80/"
    assert both.elsewhere == ("http://192.0.2.7:80/", "http://[2001:db8::7]:80/")
    assert both.hosts == (*local, "192.0.2.7", "[2001:db8::7]")
    one = reach("192.0.2.7", 80)
    assert one.here == "http://127.0.0.1:80/", "this machine keeps its own way in"
    assert one.elsewhere == ("http://192.0.2.7:80/",)
    assert one.hosts == (*local, "192.0.2.7")
    assert in_url("192.0.2.7") == "192.0.2.7"


def test_what_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reach_module, "own_addresses", lambda: ["192.0.2.7"])
    here = told(reach("127.0.0.1", 80), Door())
    assert here == "shimwright: the page is at http://127.0.0.1:80/ (stop with Ctrl-C)\n"
    where = reach("0.0.0.0", 80)
    door = Door(where.elsewhere)
    code = door.codes.make()
    plain = told(where, door)
    assert plain.startswith(here)
    assert "open to the network at http://192.0.2.7:80/" in plain
    assert f"open http://192.0.2.7:80/pair on it and type {code[:4]} {code[4:]};" in plain
    assert "shimwright pair --port 80\n" in plain
    assert "\x1b" not in plain, "a picture only on a terminal"
    pictured = told(where, door, picture=True)
    assert pictured.startswith(plain)
    rows = pictured.removeprefix(plain).splitlines()
    assert len(rows) >= 15
    assert all(r.startswith("\x1b[97;40m") and r.endswith("\x1b[0m") for r in rows)
    monkeypatch.setattr(reach_module, "own_addresses", list)
    assert "no address there yet" in told(reach("0.0.0.0", 80), Door())


def test_a_picture_holds_the_address_and_the_code() -> None:
    import segno

    from web.door.qr import as_svg

    link = "http://192.0.2.7:8710/pair#01234567"
    assert len(as_svg(link)) > 1000
    assert as_svg(link) != as_svg(link[:-1] + "8")
    # The standard has room for 84 bytes at this size and correction; a longer IPv6 address only makes the picture bigger.
    assert segno.make_qr(link, error="m").version <= 5


@pytest.mark.skipif(not OWN, reason="this machine has no network address")
def test_serving_on_one_address_serves_the_loopback_too() -> None:
    with bound(OWN[0], 0) as (there, here):
        assert there.getsockname()[0] == OWN[0]
        assert here.getsockname() == ("127.0.0.1", there.getsockname()[1])
        with pytest.raises(CaptureError, match="cannot be served on"), bound(OWN[0], there.getsockname()[1]):
            pass
    with bound("0.0.0.0", 0) as sockets:
        assert len(sockets) == 1


def ask(url: str, body: object = None, cookie: str = "", **headers: str) -> tuple[int, dict[str, str], bytes]:
    """Status, headers and body of an answer; a command if there is a body."""
    head = {k.replace("_", "-"): v for k, v in headers.items()} | ({"Cookie": cookie} if cookie else {})
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, head | {"Content-Type": "application/json"})
    opener = urllib.request.build_opener(urllib.request.ProxyHandler({}), _NoRedirect())
    try:
        with opener.open(request, timeout=LONG_S) as answer:
            return int(answer.status), dict(answer.headers.items()), answer.read()
    except urllib.error.HTTPError as e:
        with e:
            return e.code, dict(e.headers.items()), e.read()


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_: object) -> None:
        return None


MARK = {"mark": "reseat"}


@pytest.mark.skipif(not OWN, reason="this machine has no network address")
def test_another_address_than_the_loopback_sees_nothing_until_it_is_paired(tmp_path: Path) -> None:
    bench = PtyBench(tmp_path / "indicator")
    script = str(Path(sys.executable).with_name("shimwright"))
    command = [script, "serve", f"serial:{bench.link}", "--host", "0.0.0.0", "--port", "0", "--no-browser"]
    # Whatever a proxy would be believed is not believed here.
    environment = os.environ | {"FORWARDED_ALLOW_IPS": "*"}
    try:
        with subprocess.Popen(
            [*command, "--record", str(tmp_path / "s")],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        ) as process:
            try:
                assert process.stdout is not None
                base = process.stdout.readline().split()[5]
                said = process.stdout.readline()
                port = base.rstrip("/").rpartition(":")[2]
                assert f"open to the network at http://{OWN[0]}:{port}/" in said
                code = re.search(r"type (\d{4} \d{4});", process.stdout.readline())
                assert code is not None
                there = f"http://{OWN[0]}:{port}"

                assert ask(f"{base}api/state")[0] == 200
                assert ask(f"{there}/api/state")[0] == 401
                assert ask(f"{there}/api/state", X_Forwarded_For="127.0.0.1")[0] == 401
                assert ask(f"{there}/api/state", Host=f"127.0.0.1:{port}")[0] == 401, "a name alone is no proof"
                assert ask(f"{there}/api/mark", MARK, Origin=there)[0] == 401
                status, headers, _ = ask(f"{there}/", Accept="text/html")
                assert (status, headers["location"]) == (303, "/pair")
                assert ask(f"{there}/pair", Accept="text/html")[0] == 200

                status, headers, _ = ask(f"{there}/api/pair", {"code": code[1], "name": "phone"}, Origin=there)
                assert status == 200
                cookie = headers["set-cookie"].partition(";")[0]
                assert ask(f"{there}/api/state", cookie=cookie)[0] == 200
                assert ask(f"{there}/api/state", cookie=cookie, Host=f"evil.example:{port}")[0] == 400
                assert ask(f"{there}/api/mark", MARK, cookie, Origin=there)[0] == 204
                assert ask(f"{there}/api/mark", MARK, cookie, Origin="http://evil.example")[0] == 403
                evil = {"Host": f"evil.example:{port}", "Origin": f"http://evil.example:{port}"}
                assert ask(f"{there}/api/mark", MARK, cookie, **evil)[0] == 400
                assert ask(f"{there}/api/devices", cookie=cookie)[0] == 403
                assert json.loads(ask(f"{base}api/devices")[2])["devices"][0]["name"] == "phone"

                done = subprocess.run(
                    [script, "pair", "--port", port], capture_output=True, text=True, timeout=3 * LONG_S
                )
                assert (done.returncode, done.stderr) == (0, "")
                found = re.search(rf"open {there}/pair on the other device and type (\d{{4}} \d{{4}})\n", done.stdout)
                assert found is not None
                assert ask(f"{there}/api/pair", {"code": found[1]}, Origin=there)[0] == 200

                as_data = [script, "pair", "--port", port, "--json"]
                done = subprocess.run(as_data, capture_output=True, text=True, timeout=3 * LONG_S)
                assert (done.returncode, done.stderr) == (0, "")
                data = json.loads(done.stdout)
                assert f"{there}/pair" in data["pages"]
                assert 0 < data["left_s"] <= 600
                assert f"{there}/pair#{data['code'].replace(' ', '')}" in data["links"]
                assert ask(f"{there}/api/pair", {"code": data["code"]}, Origin=there)[0] == 200
            finally:
                process.terminate()
                process.communicate(timeout=60)
    finally:
        bench.stop()


@pytest.mark.skipif(not OWN, reason="this machine has no network address")
def test_readings_posted_from_elsewhere_need_the_token_that_outlives_a_restart(tmp_path: Path) -> None:
    script = str(Path(sys.executable).with_name("shimwright"))
    environment = os.environ | {"XDG_CONFIG_HOME": str(tmp_path / "config")}
    tokens = []
    for n in range(2):
        folders = ["--record", str(tmp_path / f"streams-{n}"), "--jobs", str(tmp_path / "jobs"), "--store", "off"]
        command = [script, "serve", "push", "--host", OWN[0], "--port", "0", "--no-browser", *folders]
        with subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
        ) as process:
            try:
                assert process.stdout is not None
                said = [process.stdout.readline() for _ in range(4)]
                port = said[0].split()[5].rstrip("/").rpartition(":")[2]
                there = f"http://{OWN[0]}:{port}"
                file = tmp_path / "config" / "shimwright" / "push-token"
                assert said[3] == f"shimwright: a micro-controller posts with the token in {file}\n"
                tokens.append(file.read_text("ascii").strip())
                assert tokens[n] not in "".join(said), "what is printed may end in a log"
                assert ask(f"{there}/api/push", {"value": 0.478})[0] == 401
                assert ask(f"{there}/api/push", {"value": 0.478}, Authorization=f"Bearer {tokens[0]}")[0] == 204
                here = f"http://127.0.0.1:{port}"
                assert json.loads(ask(f"{here}/api/state")[2])["last"]["counts"] == 478
                assert ask(f"{here}/api/push", {"value": 0.479})[0] == 204
            finally:
                process.terminate()
                process.communicate(timeout=60)
    assert tokens[0] == tokens[1]


def test_pair_without_a_program_or_without_the_network_says_what_to_do() -> None:
    script = str(Path(sys.executable).with_name("shimwright"))
    with ReservedPort() as number:
        port = str(number)
        done = subprocess.run([script, "pair", "--port", port], capture_output=True, text=True, timeout=3 * LONG_S)
    assert done.returncode == 1
    assert f"No shimwright answers on port {port}" in done.stderr
    assert "--host 0.0.0.0" in done.stderr
    with subprocess.Popen(
        [script, "demo", "--port", "0", "--no-browser"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            port = process.stdout.readline().split()[5].rstrip("/").rpartition(":")[2]
            done = subprocess.run([script, "pair", "--port", port], capture_output=True, text=True, timeout=3 * LONG_S)
            assert done.returncode == 1
            assert "No code was made: The page is on this computer only." in done.stderr
            assert done.stdout == ""
        finally:
            process.terminate()
            process.communicate(timeout=60)
