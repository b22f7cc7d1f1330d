"""Codes, devices and tokens: short-lived, counted, and worth nothing once they are taken back."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.errors import CaptureError
from web.door import Codes, Device, Devices, Refusal
from web.door.codes import LASTS_S, SHUT_OUT_S, TRIES_OF_ALL, TRIES_OF_ONE
from web.door.devices import IDLE_S, LONGEST_NAME, MOST, FullError, clean_name
from web.door.pushing import PushToken
from web.door.rights import refusal


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def other_than(code: str) -> str:
    """Eight digits that are not the code."""
    return f"{(int(code) + 1) % 10**8:08d}"


# codes


def test_a_code_is_eight_digits_and_another_each_time(clock: Clock) -> None:
    codes = Codes(clock)
    made = {codes.make() for _ in range(200)}
    assert len(made) == 200
    assert all(re.fullmatch(r"\d{8}", c) for c in made)


@pytest.mark.parametrize("form", ["{a}{b}", "{a} {b}", " {a}-{b} ", "{a}\u00a0{b}"])
def test_the_code_is_taken_however_it_is_grouped_and_once_only(clock: Clock, form: str) -> None:
    codes = Codes(clock)
    code = codes.make()
    typed = form.format(a=code[:4], b=code[4:])
    assert codes.take(typed, "192.0.2.7") is None
    assert codes.current is None
    assert codes.take(typed, "192.0.2.8") is Refusal.NONE, "a code lets in one device"


def test_without_a_code_nothing_is_let_in(clock: Clock) -> None:
    codes = Codes(clock)
    for typed in ("", " ", "00000000", "None"):
        assert codes.take(typed, f"192.0.2.{len(typed)}") is Refusal.NONE
    codes.make()
    codes.end()
    assert codes.take("", "192.0.2.9") is Refusal.NONE


def test_a_code_runs_out(clock: Clock) -> None:
    codes = Codes(clock)
    code = codes.make()
    clock.now += LASTS_S - 1
    assert codes.current == code
    assert codes.left_s == pytest.approx(1.0)
    clock.now += 1
    assert codes.current is None
    assert codes.left_s == 0.0
    for _ in range(TRIES_OF_ONE + 1):
        assert codes.take(code, "192.0.2.7") is Refusal.NONE
    assert codes.take(codes.make(), "192.0.2.7") is None, "nobody waits for having come late"


def test_a_new_code_ends_the_one_before(clock: Clock) -> None:
    codes = Codes(clock)
    before = codes.make()
    now = codes.make()
    assert codes.take(before, "192.0.2.7") is Refusal.WRONG
    assert codes.take(now, "192.0.2.7") is None


def test_one_address_has_few_tries_then_waits_even_with_the_right_code(clock: Clock) -> None:
    codes = Codes(clock)
    code = codes.make()
    for _ in range(TRIES_OF_ONE):
        assert codes.take(other_than(code), "192.0.2.7") is Refusal.WRONG
    assert codes.take(code, "192.0.2.7") is Refusal.WAIT
    assert codes.wait_s("192.0.2.7") == SHUT_OUT_S
    assert codes.take(code, "192.0.2.8") is None, "others are not shut out with it"
    clock.now += SHUT_OUT_S
    assert codes.wait_s("192.0.2.7") == 0.0
    assert codes.take(codes.make(), "192.0.2.7") is None


def test_waiting_is_not_had_for_the_asking_of_a_new_code(clock: Clock) -> None:
    codes = Codes(clock)
    for _ in range(TRIES_OF_ONE):
        codes.take(other_than(codes.make()), "192.0.2.7")
    assert codes.take(codes.make(), "192.0.2.7") is Refusal.WAIT


def test_many_addresses_together_end_the_code_and_it_is_told(clock: Clock) -> None:
    codes = Codes(clock)
    code = codes.make()
    for n in range(TRIES_OF_ALL):
        assert codes.current == code
        assert codes.take(other_than(code), f"2001:db8::{n:x}") is Refusal.WRONG
    assert codes.current is None
    assert codes.guessed
    assert codes.take(code, "192.0.2.7") is Refusal.NONE
    codes.make()
    assert not codes.guessed


def test_guessing_from_ever_new_addresses_takes_no_memory(clock: Clock) -> None:
    codes = Codes(clock)
    for n in range(5000):
        codes.take(other_than(codes.make()), f"2001:db8::{n:x}")
    assert len(codes._tries) <= 256


@given(st.text(max_size=40))
def test_no_text_lets_in_by_chance_or_breaks_it(typed: str) -> None:
    codes = Codes(lambda: 0.0)
    code = codes.make()
    assert (codes.take(typed, "192.0.2.7") is None) == (re.sub("[ \u00a0\u2009-]", "", typed) == code)


# devices


def test_a_device_is_known_by_its_token_of_which_only_the_hash_is_kept(clock: Clock) -> None:
    devices = Devices(clock)
    device, token = devices.add("phone", "192.0.2.7")
    assert len(token) >= 43, "256 bits"
    assert devices.known(token) is device
    assert devices.known(token[:-1]) is None
    assert devices.known("") is None
    held = repr(vars(devices)) + repr(vars(device))
    assert token not in held
    assert not device.writes, "nothing is written into a job unless somebody lets it"


def test_who_is_shut_out_is_not_known_any_longer_and_its_answers_end(clock: Clock) -> None:
    devices = Devices(clock)
    one, token = devices.add("one", "192.0.2.7")
    two, other = devices.add("two", "192.0.2.8")
    devices.shut_out(one)
    assert devices.known(token) is None
    assert one.gone.is_set()
    assert devices.known(other) is two
    assert not two.gone.is_set()
    three, _ = devices.add("three", "192.0.2.9")
    assert len({one.id, two.id, three.id}) == 3, "a number is given once"


def test_who_has_not_come_for_long_is_forgotten_unless_it_is_being_answered(clock: Clock) -> None:
    devices = Devices(clock)
    idle, token = devices.add("idle", "192.0.2.7")
    watching, other = devices.add("watching", "192.0.2.8")
    watching.open = 1
    clock.now += IDLE_S + 1
    assert devices.known(token) is None
    assert idle.gone.is_set()
    assert devices.known(other) is watching


def test_there_is_an_end_to_pairing(clock: Clock) -> None:
    devices = Devices(clock)
    for n in range(MOST):
        devices.add(str(n), "192.0.2.7")
    with pytest.raises(FullError):
        devices.add("one more", "192.0.2.7")
    devices.shut_out(devices.all()[0])
    devices.add("one more", "192.0.2.7")


@given(st.text(max_size=200))
def test_a_name_can_be_shown(name: str) -> None:
    clean = clean_name(name)
    assert len(clean) <= LONGEST_NAME
    assert clean.isprintable()
    assert clean == clean.strip()


# rights


@pytest.mark.parametrize(
    ("method", "path", "plain", "writing"),
    [
        ("GET", "/", True, True),
        ("HEAD", "/", True, True),
        ("GET", "/api/events", True, True),
        ("GET", "/api/connect", True, True),
        ("POST", "/api/mark", True, True),
        ("POST", "/api/new-set", True, True),
        ("POST", "/api/pair/leave", True, True),
        ("POST", "/api/jobs", False, True),
        ("POST", "/api/jobs/1/entries", False, True),
        ("POST", "/api/new-job", False, True),
        ("POST", "/api/bench", False, True),
        ("GET", "/api/devices", False, False),
        ("GET", "/api/devices/code.svg", False, False),
        ("POST", "/api/devices/code", False, False),
        ("GET", "/api/connect/ports", False, False),
        ("POST", "/api/connect/use", False, False),
        ("POST", "/api/mark/", False, False),
        ("POST", "/api/jobsomething", False, False),
        ("POST", "/api/push", False, False),
        ("POST", "/a-command-of-tomorrow", False, False),
        ("PUT", "/", False, False),
        ("OPTIONS", "/", False, False),
    ],
)
def test_what_a_paired_device_may(method: str, path: str, plain: bool, writing: bool) -> None:
    for writes, allowed in ((False, plain), (True, writing)):
        device = Device("1", "phone", "192.0.2.7", 0.0, 0.0, writes=writes)
        assert (refusal(device, method, path) is None) is allowed


# the token of a micro-controller


def test_the_token_is_made_once_kept_for_its_owner_and_can_be_renewed(tmp_path: Path) -> None:
    file = tmp_path / "folder" / "push-token"
    made = PushToken(file)
    assert len(made.text) >= 32
    if os.name == "posix":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
    again = PushToken(file)
    assert again.text == made.text, "it is typed into a micro-controller, so it outlives the program"
    old = again.text
    again.renew()
    assert again.text != old
    assert PushToken(file).text == again.text
    assert not again.fits(f"Bearer {old}")


def test_only_the_whole_token_fits(tmp_path: Path) -> None:
    token = PushToken(tmp_path / "push-token")
    assert token.fits(f"Bearer {token.text}")
    assert token.fits(f"bearer {token.text}"), "RFC 9110, 11.1: the scheme's letters may be small or capital"
    for wrong in ("", "Bearer", "Bearer ", token.text, f"Basic {token.text}", f"Bearer {token.text[:-1]}", "Bearer ÄÖ"):
        assert not token.fits(wrong)


@pytest.mark.parametrize("held", ["", "short", "with spaces in between them", "tab\tin the middle of it"])
def test_a_file_without_a_token_is_an_error_that_says_the_cure(tmp_path: Path, held: str) -> None:
    file = tmp_path / "push-token"
    file.write_text(held, "ascii")
    with pytest.raises(CaptureError, match=r"push-token: holds no token; .* Delete the file"):
        PushToken(file)
    assert file.read_text("ascii") == held


def test_a_token_that_cannot_be_kept_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "a file").write_text("")
    with pytest.raises(CaptureError, match="cannot be"):
        PushToken(tmp_path / "a file" / "push-token")
