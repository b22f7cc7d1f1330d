"""Whole numbers in binary: width, order, sign, unit and check; damage is reported and got over."""

from __future__ import annotations

import binascii
import itertools
import struct
import zlib
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.readings import Scale
from capture.decoders import CountedBinary, Damaged, Frame, LayoutError
from capture.decoders.checks import crc
from capture.errors import ProfileError
from capture.profiles import load_profile
from capture.simulator.wires import frame_of
from tests.capture.memory import kept_of_noise

MM = Scale(Decimal("0.001"), "mm")
X25 = {"width": 16, "poly": 0x1021, "init": 0xFFFF, "reflected": True, "xorout": 0xFFFF}
CHECKED = {"layout": "5AC3vvvvvvvvcccc", "check": "crc", "crc": X25}
PLAIN = {"layout": "5Avvvv"}
"""The fixed byte may stand in the value: only frames in a row tell."""


def decode(data: bytes, scale: Scale = MM, fresh: bool = False, **how: Any) -> list[Frame | Damaged]:
    """All items of some bytes."""
    decoder = CountedBinary(scale, **(how or CHECKED))
    if fresh:
        decoder.reset()
    return decoder.feed(data)


def counts(items: list[Frame | Damaged]) -> list[int]:
    """Values of the frames among some items."""
    return [i.counts for i in items if isinstance(i, Frame)]


def written(n: int) -> bytes:
    """A frame of the packaged profile."""
    return frame_of(n, 0.001, "mm", "counted")


def plain(n: int) -> bytes:
    """A frame of `PLAIN`."""
    return b"\x5a" + struct.pack("<h", n)


# checks against published values and other libraries

_NINE = b"123456789"
"""The nine bytes over which published check values are stated."""


@pytest.mark.parametrize(
    ("table", "value"),
    [
        # ITU-T V.42 (32 bits), X.25 (16 bits) and I.432.1 (8 bits) with the check values of the CRC literature over "123456789"
        ({"width": 32, "poly": 0x04C11DB7, "init": 0xFFFFFFFF, "reflected": True, "xorout": 0xFFFFFFFF}, 0xCBF43926),
        (X25, 0x906E),
        ({"width": 16, "poly": 0x1021, "init": 0xFFFF, "reflected": False, "xorout": 0}, 0x29B1),
        ({"width": 16, "poly": 0x8005, "init": 0xFFFF, "reflected": True, "xorout": 0}, 0x4B37),
        ({"width": 16, "poly": 0x8005, "init": 0, "reflected": True, "xorout": 0}, 0xBB3D),
        ({"width": 8, "poly": 0x07, "init": 0, "reflected": False, "xorout": 0}, 0xF4),
        ({"width": 8, "poly": 0x07, "init": 0, "reflected": False, "xorout": 0x55}, 0xA1),
    ],
)
def test_crc_against_published_check_values(table: dict[str, Any], value: int) -> None:
    assert crc(**table)(_NINE) == value


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=64), st.integers(0, 0xFFFF))
def test_crc_against_the_standard_library(data: bytes, init: int) -> None:
    assert crc(16, 0x1021, init, False, 0)(data) == binascii.crc_hqx(data, init)
    assert crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF)(data) == zlib.crc32(data)


@settings(max_examples=100, deadline=None)
@given(
    st.binary(max_size=20),
    st.sampled_from([8, 16, 32]),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**32 - 1),
    st.booleans(),
)
def test_crc_against_long_division_bit_by_bit(data: bytes, width: int, poly: int, init: int, reflected: bool) -> None:
    mask = (1 << width) - 1
    poly, init = poly & mask, init & mask
    register = init
    for byte in data:
        for i in range(8):
            bit = (byte >> (i if reflected else 7 - i)) & 1
            top = (register >> (width - 1)) & 1
            register = (register << 1) & mask ^ (poly if top ^ bit else 0)
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    assert crc(width, poly, init, reflected, 0)(data) == register


# good frames


@pytest.mark.parametrize(
    ("data", "how", "value", "unit", "step"),
    [
        (b"\x5a\xc3" + struct.pack("<i", -478), {"layout": "5AC3vvvvvvvv"}, -478, "mm", "0.001"),
        (b"\x5a\xc3" + struct.pack(">i", -478), {"layout": "5AC3vvvvvvvv", "endian": "big"}, -478, "mm", "0.001"),
        (b"\x5a\xde\x01", {"layout": "5Avvvv"}, 478, "mm", "0.001"),
        (b"\x5a\xde\x81", {"layout": "5Avvvv", "sign": "magnitude"}, -478, "mm", "0.001"),
        (b"\x5a\xff\xff", {"layout": "5Avvvv", "sign": "unsigned"}, 65535, "mm", "0.001"),
        (b"\x5a\x01\xde\x01", {"layout": "5Assvvvv", "sign": "unsigned"}, -478, "mm", "0.001"),
        (b"\x5a\x2d\xde\x01", {"layout": "5Assvvvv", "sign": "unsigned", "plus": [43], "minus": [45]},
         -478, "mm", "0.001"),
        (b"\x5a\xde\x01\x01", {"layout": "5Avvvvuu", "steps": {"in": Decimal("0.0005")}}, 478, "in", "0.0005"),
        (b"\x5a\xde\x01\x00", {"layout": "5Avvvvuu", "steps": {"mm": Decimal("0.0002")}}, 478, "mm", "0.0002"),
        (b"\x5a\xfe\xff\xff\x99", {"layout": "5Avvvvvv--"}, -2, "mm", "0.001"),
        (b"\x5a\xc3" + struct.pack("<q", 1_000_000), {"layout": "5AC3" + "vv" * 8}, 1_000_000, "mm", "0.001"),
        (b"\x5a\xde\x01\x39", {"layout": "5Avvvvcc", "check": "sum"}, 478, "mm", "0.001"),
        (b"\x5a\xde\x01\xdf", {"layout": "5Avvvvcc", "check": "sum", "check_from": 1}, 478, "mm", "0.001"),
        (b"\x5a\xde\x01\x85", {"layout": "5Avvvvcc", "check": "xor"}, 478, "mm", "0.001"),
        (b"\x5a\xde\x01\x39\x01", {"layout": "5Avvvvcccc", "check": "sum"}, 478, "mm", "0.001"),
        (b"\x5a\xde\x01\x01\x39", {"layout": "5Avvvvcccc", "check": "sum", "endian": "big", "sign": "unsigned"},
         0xDE01, "mm", "0.001"),
        (b"\x5a\xde\x01\x39\x0d", {"layout": "5A vvvv cc 0D", "check": "sum"}, 478, "mm", "0.001"),
    ],
)  # fmt: skip
def test_good_frames(data: bytes, how: dict[str, Any], value: int, unit: str, step: str) -> None:
    decoder = CountedBinary(MM, **how)
    assert isinstance(decoder.judge(data), Frame)
    assert decoder.size == len(data)
    # Values that rise tell where frames begin where nothing else does; the last is the one in question.
    items = [i for b in data * 12 for i in decoder.feed(bytes([b]))]
    frames = [i for i in items if isinstance(i, Frame)]
    assert frames
    assert {(f.counts, f.scale) for f in frames} == {(value, Scale(Decimal(step), unit))}  # type: ignore[arg-type]


def test_the_value_is_shown_with_all_places_of_the_step() -> None:
    (item,) = decode(written(-470))
    assert isinstance(item, Frame)
    assert item.shown == "-0.470 mm"


@pytest.mark.parametrize(
    ("data", "how", "why"),
    [
        (b"\x5b\xde\x01", PLAIN, "no frame begins here"),
        (b"\x5a\xde\x01\x38", {"layout": "5Avvvvcc", "check": "sum"}, "check is 38, should be 39"),
        (b"\x5a\x02\xde\x01", {"layout": "5Assvvvv", "sign": "unsigned"}, "02 is no sign"),
        (b"\x5a\xde\x01\x07", {"layout": "5Avvvvuu"}, "07 is no unit"),
        (b"\x5a\xde\x01\x01", {"layout": "5Avvvvuu"}, "step_in"),
        (b"\x5a\xc3" + struct.pack("<i", 10_000_001), {"layout": "5AC3vvvvvvvv"}, "range"),
    ],
)
def test_bad_frames_say_why(data: bytes, how: dict[str, Any], why: str) -> None:
    verdict = CountedBinary(MM, **how).judge(data)
    assert isinstance(verdict, str)
    assert why in verdict


# finding the frames


def test_every_damage_of_one_byte_is_seen_and_costs_only_its_frame() -> None:
    sent = [4321 * n - 20000 for n in range(8)]
    data = b"".join(map(written, sent))
    for at in range(len(data)):
        for change in (0x01, 0x80, 0xFF, 0x5A):
            hurt = bytearray(data)
            hurt[at] ^= change
            items = decode(bytes(hurt) + written(99))
            assert counts(items) == [*sent[: at // 8], *sent[at // 8 + 1 :], 99], (at, change)
            assert sum(len(i.data) for i in items if isinstance(i, Damaged)) == 8


def test_a_lost_or_added_byte_costs_only_its_frame() -> None:
    sent = [4321 * n - 20000 for n in range(8)]
    data = b"".join(map(written, sent))
    for at in range(24, 40):
        n = at // 8
        # One of two equal neighbours may be taken for the other.
        if data[at] != data[at + 1]:
            assert counts(decode(data[:at] + data[at + 1 :])) == sent[:n] + sent[n + 1 :], at
        added = sent if at % 8 == 0 else sent[:n] + sent[n + 1 :]
        assert counts(decode(data[:at] + b"\x11" + data[at:])) == added, at


def test_a_fixed_byte_within_the_value_does_not_mislead_a_frame_with_a_check() -> None:
    sent = [int.from_bytes(b"\x5a\xc3\x5a\x00", "little") // 2 % 9_000_000, 0x00C35A, 0x5AC3] * 3
    assert counts(decode(b"".join(map(written, sent))[1:], fresh=True)) == sent[1:]


def test_without_a_check_frames_are_believed_after_a_few() -> None:
    sent = [n * 37 - 100 for n in range(30)]
    items = decode(b"".join(map(plain, sent))[1:], fresh=True, **PLAIN)
    got = counts(items)
    assert got == sent[-len(got) :]
    assert len(got) >= 25
    assert all(i.first_after_open for i in items if isinstance(i, Damaged))


def test_without_a_check_a_still_value_with_the_fixed_byte_in_it_gives_nothing() -> None:
    assert counts(decode(b"\x5a\x5a\x00" * 40, **PLAIN)) == []
    # It moves, and is believed.
    moving = b"\x5a\x5a\x00" * 10 + b"".join(plain(n) for n in range(20))
    assert counts(decode(moving, **PLAIN))[-10:] == list(range(10, 20))


def test_half_a_frame_after_opening_is_put_down_to_it() -> None:
    for cut in range(1, 8):
        first, second = decode(written(478)[cut:] + written(479), fresh=True)
        assert isinstance(first, Damaged)
        assert first.first_after_open
        assert isinstance(second, Frame)
        assert second.counts == 479


def test_opening_again_forgets_half_a_frame() -> None:
    decoder = CountedBinary(MM, **CHECKED)  # type: ignore[arg-type]
    decoder.feed(written(1)[:5])
    decoder.reset()
    assert counts(decoder.feed(written(3))) == [3]


# properties

cells = st.fixed_dictionaries(
    {
        "width": st.integers(1, 8),
        "endian": st.sampled_from(["big", "little"]),
        "sign": st.sampled_from(["twos-complement", "magnitude", "unsigned"]),
        "sync": st.binary(min_size=2, max_size=4),
        "spare": st.integers(0, 3),
    }
)


@settings(max_examples=200, deadline=None)
@given(cells, st.lists(st.integers(-9_999_999, 9_999_999), min_size=1, max_size=10))
def test_what_was_sent_is_what_comes_out(c: dict[str, Any], sent: list[int]) -> None:
    width, endian = c["width"], c["endian"]
    layout = c["sync"].hex().upper() + "--" * c["spare"] + "vv" * width + "cccc"
    how: dict[str, Any] = {"layout": layout, "endian": endian, "sign": c["sign"], "check": "crc", "crc": X25}
    top = 1 << (8 * width - 1)
    limit = 2 * top if c["sign"] == "unsigned" else top
    numbers = [abs(n) % limit if c["sign"] == "unsigned" else (abs(n) % limit) * (1 if n >= 0 else -1) for n in sent]
    data = b""
    for n in numbers:
        raw = abs(n) | (top if n < 0 else 0) if c["sign"] == "magnitude" else n & (2 * top - 1)
        body = c["sync"] + b"\xee" * c["spare"] + raw.to_bytes(width, endian)
        data += body + crc(**X25)(body).to_bytes(2, endian)  # type: ignore[arg-type]
    assert counts(decode(data, **how)) == numbers


pieces = st.lists(
    st.one_of(
        st.binary(max_size=30),
        st.integers(-99999, 99999).map(written),
        st.integers(-30000, 30000).map(plain),
        st.sampled_from([b"\x5a", b"\x5a\xc3", b"\x5a" * 300]),
    ),
    max_size=12,
).map(b"".join)


@settings(max_examples=200, deadline=None)
@given(pieces, st.data(), st.sampled_from([CHECKED, PLAIN]), st.booleans())
def test_splits_make_no_difference(data: bytes, draw: st.DataObject, how: dict[str, Any], fresh: bool) -> None:
    whole = decode(data, fresh=fresh, **how)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=10)))
    for edges in (list(range(len(data) + 1)), [0, *cuts, len(data)]):
        decoder = CountedBinary(MM, **how)
        if fresh:
            decoder.reset()
        assert [i for a, b in itertools.pairwise(edges) for i in decoder.feed(data[a:b])] == whole


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=80), max_size=6), st.booleans())
def test_no_bytes_whatever_raise_and_the_way_back_is_found(garbage: list[bytes], checked: bool) -> None:
    decoder = CountedBinary(MM, **(CHECKED if checked else PLAIN))  # type: ignore[arg-type]
    decoder.reset()
    for g in garbage:
        assert all(isinstance(i, Frame | Damaged) for i in decoder.feed(g))
    sent = [n * 37 % 5000 for n in range(200)]
    got = counts(decoder.feed(b"".join((written if checked else plain)(n) for n in sent)))
    assert got[-5:] == sent[-5:]


@pytest.mark.parametrize("how", [CHECKED, PLAIN])
def test_memory_stays_bounded(how: dict[str, Any]) -> None:
    assert kept_of_noise(CountedBinary(MM, **how)) < 20_000


# layouts that describe no frame


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        ({"layout": "5A"}, "layout"),
        ({"layout": "5Avv5Avv"}, "layout"),
        ({"layout": "5A" + "vv" * 9}, "layout"),
        ({"layout": "5Avvv"}, "layout"),
        ({"layout": "5avv"}, "layout"),
        ({"layout": "5Gvv"}, "layout"),
        ({"layout": "v5Av"}, "layout"),
        ({"layout": "00" * 64 + "vv"}, "layout"),
        ({"layout": "vvvv"}, "layout"),
        ({"layout": "5Avvcc--cc", "check": "sum"}, "layout"),
        ({"layout": "5Avvcccc", "check": "xor"}, "layout"),
        ({"layout": "5Avvssss", "sign": "unsigned"}, "layout"),
        ({"layout": "5Avvss"}, "sign"),
        ({"layout": "5Avvcc"}, "check"),
        ({"layout": "5Avv", "check": "sum"}, "check"),
        ({"layout": "5Avvcc", "check": "sum", "check_from": 2}, "check_from"),
        ({"layout": "5Avvcc", "check": "crc"}, "crc"),
        ({"layout": "5Avvcc", "check": "crc", "crc": X25}, "crc"),
        ({"layout": "5Avvss", "sign": "unsigned", "plus": [1], "minus": [1]}, "minus"),
        ({"layout": "5Avvuu", "mm": [1], "inch": [1]}, "inch"),
    ],
)
def test_a_layout_that_describes_no_frame_is_refused(keys: dict[str, Any], key: str) -> None:
    with pytest.raises(LayoutError) as e:
        CountedBinary(MM, **keys)
    assert e.value.key == key
    base = {"use": "counted-binary", "check": "none", "sign": "twos-complement"}
    with pytest.raises(ProfileError) as p:
        load_profile({**base, **keys}, "command line")
    assert str(p.value).startswith(f"command line, {key}: given ")
    assert "; allowed: " in str(p.value)


@pytest.mark.parametrize(
    "table",
    [
        {},
        {"width": 16},
        {**X25, "width": 12},
        {**X25, "poly": 0x11021},
        {**X25, "init": -1},
        {**X25, "reflected": 1},
        {**X25, "poly": True},
        {**X25, "name": "x"},
        "X25",
    ],
)
def test_a_check_that_is_none_is_refused(table: object) -> None:
    with pytest.raises(ProfileError) as p:
        load_profile({"use": "counted-binary", "crc": table}, "command line")
    assert f"command line, crc: given {table!r}; allowed: {{ width = 8, 16 or 32" in str(p.value)


def test_the_packaged_profile_reads_what_the_bench_writes() -> None:
    (item,) = load_profile("counted-binary").decoder().feed(written(-478))
    assert isinstance(item, Frame)
    assert (item.counts, item.scale) == (-478, MM)
