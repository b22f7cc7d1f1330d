"""A characteristic that describes itself: formats, exponents and units of the Bluetooth SIG's Assigned Numbers."""

from __future__ import annotations

import itertools
import struct
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.readings import Scale
from capture.decoders import Damaged, Frame, GattLength
from capture.decoders.attribute_packets import notified, read
from capture.errors import ProfileError
from capture.profiles import load_profile
from tests.capture.memory import kept_of_noise

MM = Scale(Decimal("0.001"), "mm")
METRE, INCH, DEGREE = 0x2701, 0x27A2, 0x2763
"""Unit numbers for length in metres and in inches, and for a plane angle in degrees (Assigned Numbers, units)."""


def described(form: int = 0x10, exponent: int = -6, unit: int = METRE) -> bytes:
    """A packet with a descriptor: format, exponent, unit, name space 1 (Bluetooth SIG), description 0."""
    return read(0x0031, struct.pack("<BbHBH", form, exponent, unit, 1, 0))


def counted(n: int) -> bytes:
    """A notification of four signed bytes."""
    return notified(0x002F, struct.pack("<i", n))


def decode(data: bytes, fresh: bool = False, steps: dict[str, Decimal] | None = None) -> list[Frame | Damaged]:
    """All items of some bytes."""
    decoder = GattLength(MM, steps=steps)  # type: ignore[arg-type]
    if fresh:
        decoder.reset()
    return decoder.feed(data)


def counts(items: list[Frame | Damaged]) -> list[int]:
    """Values of the frames among some items."""
    return [i.counts for i in items if isinstance(i, Frame)]


def test_packets_are_laid_out_as_the_core_specification_says() -> None:
    # Volume 3, part A, 3.1 (length, channel) and part F, 3.4.7.1 (0x1B handle value) and 3.4.4.2 (0x09 size handle value)
    assert notified(0x002F, b"\x01\x02") == bytes.fromhex("0500 0400 1B 2F00 0102")
    assert read(0x0031, b"\x01\x02") == bytes.fromhex("0600 0400 09 04 3100 0102")


@pytest.mark.parametrize(
    ("form", "data", "number"),
    [
        (0x04, b"\xfe", 254),
        (0x05, b"\xfe\x0f", 0xFFE),
        (0x06, b"\xfe\xff", 65534),
        (0x07, b"\xfe\xff\x01", 0x1FFFE),
        (0x08, b"\x40\x42\x0f\x00", 1_000_000),
        (0x09, b"\x40\x42\x0f\x00\x00\x00", 1_000_000),
        (0x0A, b"\x40\x42\x0f" + bytes(5), 1_000_000),
        (0x0B, b"\x40\x42\x0f" + bytes(13), 1_000_000),
        (0x0C, b"\xfe", -2),
        (0x0D, b"\xfe\x0f", -2),
        (0x0D, b"\xff\x07", 2047),
        (0x0E, b"\xfe\xff", -2),
        (0x0F, b"\xfe\xff\xff", -2),
        (0x10, b"\xfe\xff\xff\xff", -2),
        (0x11, b"\xfe" + b"\xff" * 5, -2),
        (0x12, b"\xfe" + b"\xff" * 7, -2),
        (0x13, b"\xfe" + b"\xff" * 15, -2),
    ],
)
def test_whole_numbers_of_every_format(form: int, data: bytes, number: int) -> None:
    """Format numbers of the Assigned Numbers, value from memory; 0x10 for four signed bytes also in our own notes."""
    (item,) = decode(described(form) + notified(0x2F, data))
    assert isinstance(item, Frame)
    assert item.counts == number
    (bad,) = decode(described(form) + notified(0x2F, data + b"\0"))
    assert isinstance(bad, Damaged)
    assert f"value has {len(data) + 1} bytes, its format {len(data)}" in bad.why


@pytest.mark.parametrize(
    ("exponent", "unit", "scale", "shown"),
    [
        (-6, METRE, Scale(Decimal("0.001"), "mm"), "0.478 mm"),
        (-7, METRE, Scale(Decimal("0.0001"), "mm"), "0.0478 mm"),
        (-5, METRE, Scale(Decimal("0.01"), "mm"), "4.78 mm"),
        (-3, METRE, Scale(Decimal(1), "mm"), "478 mm"),
        (-4, INCH, Scale(Decimal("0.0001"), "in"), "0.0478 in"),
    ],
)
def test_unit_and_step_come_from_the_description(exponent: int, unit: int, scale: Scale, shown: str) -> None:
    (item,) = decode(described(exponent=exponent, unit=unit) + counted(478))
    assert isinstance(item, Frame)
    assert (item.counts, item.scale, item.shown) == (478, scale, shown)


def test_another_description_is_another_scale() -> None:
    a, b = decode(described() + counted(12700) + described(unit=INCH, exponent=-4) + counted(5000))
    assert isinstance(a, Frame)
    assert isinstance(b, Frame)
    # 0.5 in = 12.7 mm exactly (international inch)
    assert a.counts * a.scale.step_mm == b.counts * b.scale.step_mm


@pytest.mark.parametrize(("form", "data"), [(0x14, struct.pack("<f", 0.000478)), (0x15, struct.pack("<d", 0.000478))])
def test_binary_fractions_are_taken_to_the_nearest_step(form: int, data: bytes) -> None:
    (item,) = decode(described(form, 0) + notified(0x2F, data))
    assert isinstance(item, Frame)
    assert (item.counts, item.scale) == (478, MM)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), 1e30, 11.0])
def test_binary_fractions_that_are_no_reading(number: float) -> None:
    (item,) = decode(described(0x15, 0) + notified(0x2F, struct.pack("<d", number)))
    assert isinstance(item, Damaged)


def test_binary_fractions_in_a_unit_without_a_step() -> None:
    data = described(0x14, 0, INCH) + notified(0x2F, struct.pack("<f", 0.0125))
    (item,) = decode(data)
    assert isinstance(item, Damaged)
    assert "step_in" in item.why
    (item,) = decode(data, steps={"in": Decimal("0.0005")})
    assert isinstance(item, Frame)
    assert (item.counts, item.scale) == (25, Scale(Decimal("0.0005"), "in"))


@pytest.mark.parametrize(
    ("description", "why"),
    [
        (described(0x19), "format 0x19 is no number"),
        (described(0x01), "format 0x01 is no number"),
        (described(unit=DEGREE), "unit 0x2763 is not a length in metres or inches"),
        (described(exponent=-128), "is no indicator's"),
        (described(exponent=127), "is no indicator's"),
        (b"", "before its description"),
    ],
)
def test_what_cannot_be_read_says_why(description: bytes, why: str) -> None:
    (item,) = decode(description + counted(1))
    assert isinstance(item, Damaged)
    assert why in item.why
    assert not item.first_after_open


def test_a_value_that_was_read_counts_as_one_that_was_sent() -> None:
    assert counts(decode(described() + read(0x2F, struct.pack("<i", 478)))) == [478]


def test_a_value_out_of_range_is_damage() -> None:
    (item,) = decode(described(exponent=-3) + counted(10_001))
    assert isinstance(item, Damaged)
    assert "range" in item.why


def test_opening_again_forgets_the_description_and_half_a_packet() -> None:
    decoder = GattLength(MM)
    assert counts(decoder.feed(described() + counted(1) + counted(2)[:5])) == [1]
    decoder.reset()
    (item,) = decoder.feed(counted(3))
    assert isinstance(item, Damaged)
    assert item.first_after_open
    assert counts(decoder.feed(described() + counted(4))) == [4]


def test_the_tail_of_a_packet_after_opening_is_put_down_to_it() -> None:
    for cut in range(1, 11):
        first, second = decode(counted(9)[cut:] + described() + counted(1), fresh=True)
        assert isinstance(first, Damaged)
        assert first.first_after_open
        assert isinstance(second, Frame)


pieces = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.binary(max_size=20).map(lambda v: notified(7, v)),
        st.integers(-(2**31), 2**31 - 1).map(counted),
        st.just(described()),
    ),
    max_size=10,
).map(b"".join)


@settings(max_examples=200, deadline=None)
@given(pieces, st.data(), st.booleans())
def test_splits_make_no_difference(data: bytes, draw: st.DataObject, fresh: bool) -> None:
    whole = decode(data, fresh)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=10)))
    for edges in (list(range(len(data) + 1)), [0, *cuts, len(data)]):
        decoder = GattLength(MM)
        if fresh:
            decoder.reset()
        assert [i for a, b in itertools.pairwise(edges) for i in decoder.feed(data[a:b])] == whole


@settings(max_examples=200, deadline=None)
@given(pieces, st.binary(max_size=7), st.binary(max_size=20))
def test_no_bytes_whatever_raise_and_the_way_back_is_found(noise: bytes, description: bytes, value: bytes) -> None:
    decoder = GattLength(MM)
    decoder.reset()
    for piece in (noise, read(1, description), notified(2, value)):
        assert all(isinstance(i, Frame | Damaged) for i in decoder.feed(piece))
    # A length in the noise may ask for half a kilobyte before it is known to be none.
    got = counts(decoder.feed((described() + counted(478)) * 60))
    assert got[-20:] == [478] * 20


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(-9_999_999, 9_999_999), max_size=20))
def test_what_was_sent_is_what_comes_out(sent: list[int]) -> None:
    assert counts(decode(b"".join(described() + counted(n) for n in sent))) == sent


def test_memory_stays_bounded() -> None:
    assert kept_of_noise(GattLength(MM)) < 20_000


# counts in packets, without anything in them to tell where they begin


def test_counts_in_packets_need_no_fixed_byte() -> None:
    table = {"use": "counted-binary", "layout": "vvvvvvvv", "check": "none", "packets": "attribute"}
    decoder = load_profile(table).decoder()
    assert counts(decoder.feed(notified(1, struct.pack("<i", -478)) * 2)) == [-478, -478]
    (bad,) = decoder.feed(notified(1, b"\x01\x02"))
    assert isinstance(bad, Damaged)
    assert "value has 2 bytes, the layout 4" in bad.why
    with pytest.raises(ProfileError, match=r"layout: given 'vvvvvvvv'.*packets"):
        load_profile(table | {"packets": "none"})


@pytest.mark.parametrize("use", ["text-line", "json-lines", "packed-decimal"])
def test_packets_only_where_they_are_read(use: str) -> None:
    with pytest.raises(ProfileError, match="packets: given 'attribute'; allowed: with counted-binary or gatt-length"):
        load_profile({"use": use, "packets": "attribute"})


@pytest.mark.parametrize("key", ["service", "characteristic", "command"])
@pytest.mark.parametrize("value", ["", "29", "270", "8f1d0002-6a2b-4c55-9d2e", 0x2901, None])
def test_an_identity_that_is_none_is_refused(key: str, value: object) -> None:
    with pytest.raises(ProfileError, match=f"{key}: given"):
        load_profile({"use": "gatt-length", key: value})
