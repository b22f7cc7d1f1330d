"""Packed decimal digits: whatever the order of bits, nibbles and digits, what was sent comes out; damage is reported."""

from __future__ import annotations

import itertools
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.readings import Scale
from capture.decoders import Damaged, Frame, LayoutError, PackedDecimal
from capture.errors import ProfileError
from capture.profiles import load_profile
from capture.simulator.wires import frame_of
from tests.capture.memory import kept_of_noise

MM = Scale(Decimal("0.001"), "mm")
INCH = Scale(Decimal("0.0005"), "in")
DISTINCT = "EDspdddddduF"
VAGUE = "1sdddddd"
"""A fixed digit may stand anywhere a digit may: only frames in a row tell."""


def decode(data: bytes, scale: Scale = MM, fresh: bool = False, **how: Any) -> list[Frame | Damaged]:
    """All items of some bytes."""
    decoder = PackedDecimal(scale, **{"layout": DISTINCT, **how})
    if fresh:
        decoder.reset()
    return decoder.feed(data)


def counts(items: list[Frame | Damaged]) -> list[int]:
    """Values of the frames among some items."""
    return [i.counts for i in items if isinstance(i, Frame)]


def written(
    number: int,
    layout: str = DISTINCT,
    *,
    places: int = 3,
    inch: bool = False,
    nibbles: str = "high-first",
    bits: str = "high-first",
    digits: str = "high-first",
    point_from: str = "right",
    codes: dict[str, int] | None = None,
) -> bytes:
    """A frame, written nibble by nibble without the decoder's help."""
    c = {"plus": 12, "minus": 13, "mm": 0, "inch": 1, **(codes or {})}
    letters = layout.replace(" ", "")
    width = letters.count("d")
    text = f"{abs(number):0{width}d}"
    assert len(text) == width
    text = text[::-1] if digits == "low-first" else text
    out = []
    for letter in letters:
        if letter == "d":
            out.append(int(text[0]))
            text = text[1:]
        elif letter == "s":
            out.append(c["minus"] if number < 0 else c["plus"])
        elif letter == "u":
            out.append(c["inch"] if inch else c["mm"])
        elif letter == "b":
            out.append((8 if number < 0 else 0) + (1 if inch else 0))
        elif letter == "p":
            out.append(places if point_from == "right" else width - places)
        elif letter == "-":
            out.append(7)
        else:
            out.append(int(letter, 16))
    if bits == "low-first":
        out = [sum(((n >> i) & 1) << (3 - i) for i in range(4)) for n in out]
    if nibbles == "one-a-byte":
        return bytes(out)
    pairs = zip(out[::2], out[1::2], strict=True)
    return bytes(a << 4 | b if nibbles == "high-first" else b << 4 | a for a, b in pairs)


@pytest.mark.parametrize(
    ("hex_text", "how", "value", "unit", "step"),
    [
        ("ED C3 000478 0F", {}, 478, "mm", "0.001"),
        ("ED D3 012345 0F", {}, -12345, "mm", "0.001"),
        ("ED C2 000047 0F", {}, 47, "mm", "0.01"),
        ("ED C5 001880 1F", {}, 1880, "in", "0.00001"),
        ("ED C5 001880 1F", {"steps": {"in": Decimal("0.00005")}}, 376, "in", "0.00005"),
        ("ED A3 000001 0F", {}, 1, "mm", "0.001"),
        ("ED B3 000001 0F", {}, -1, "mm", "0.001"),
        ("ED E3 000001 0F", {}, 1, "mm", "0.001"),
        ("ED F3 000001 0F", {}, 1, "mm", "0.001"),
        ("ED D3 000000 0F", {}, 0, "mm", "0.001"),
        ("ED C0 000012 0F", {}, 12, "mm", "1"),
        ("DE 3C 004087 F0", {"nibbles": "low-first"}, 478, "mm", "0.001"),
        ("7B 3C 0002E1 0F", {"bits": "low-first"}, 478, "mm", "0.001"),
        ("B7 C3 00201E F0", {"bits": "low-first", "nibbles": "low-first"}, 478, "mm", "0.001"),
        ("0E0D0C03 000000040708 00 0F", {"nibbles": "one-a-byte"}, 478, "mm", "0.001"),
        ("ED C3 874000 0F", {"digits": "low-first"}, 478, "mm", "0.001"),
        ("ED C3 000478 0F", {"point_from": "left"}, 478, "mm", "0.001"),
        ("E 8 000478", {"layout": "Esdddddd", "minus": [8], "plus": [0]}, -478, "mm", "0.001"),
        ("E 9 000478", {"layout": "Ebdddddd", "plus": [0, 1], "minus": [8, 9], "mm": [0, 8], "inch": [1, 9],
                        "steps": {"in": Decimal("0.0005")}}, -478, "in", "0.0005"),
        ("E 0000478", {"layout": "Eddddddd", "places": 2}, 478, "mm", "0.01"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("piece", [0, 1])
def test_good_frames(hex_text: str, how: dict[str, Any], value: int, unit: str, step: str, piece: int) -> None:
    data = bytes.fromhex(hex_text.replace(" ", ""))
    decoder = PackedDecimal(MM, **{"layout": DISTINCT, **how})
    pieces = [data * 3] if piece == 0 else [bytes([b]) for b in data * 3]
    items = [i for p in pieces for i in decoder.feed(p)]
    assert [(i.counts, i.scale) for i in items if isinstance(i, Frame)] == [(value, Scale(Decimal(step), unit))] * 3  # type: ignore[arg-type]
    assert len(items) == 3


def test_the_value_is_shown_as_the_display_has_it() -> None:
    (item,) = decode(bytes.fromhex("EDD30123450F"))
    assert isinstance(item, Frame)
    assert item.shown == "-12.345 mm"
    (item,) = decode(bytes.fromhex("EDC50018801F"))
    assert isinstance(item, Frame)
    assert item.shown == "0.01880 in"


def test_another_unit_is_another_scale_and_the_same_length() -> None:
    a, b = decode(written(12700) + written(5000, places=4, inch=True))
    assert isinstance(a, Frame)
    assert isinstance(b, Frame)
    assert (a.scale.unit, b.scale.unit) == ("mm", "in")
    # 0.5 in = 12.7 mm exactly (international inch)
    assert a.counts * a.scale.step_mm == b.counts * b.scale.step_mm


@pytest.mark.parametrize(
    ("hex_text", "why"),
    [
        ("ED C3 000A78 0F", "A is no digit"),
        ("ED 93 000478 0F", "9 is no sign"),
        ("ED C3 000478 2F", "2 is no unit"),
        ("ED C7 000478 0F", "7 is no place for the point"),
        ("ED C3 000478 0E", "no frame begins here"),
        ("EC C3 000478 0F", "no frame begins here"),
        ("ED C0 999999 0F", "range"),
    ],
)
def test_damaged_frames_say_why_and_the_next_is_whole(hex_text: str, why: str) -> None:
    bad = bytes.fromhex(hex_text.replace(" ", ""))
    first, second = decode(bad + written(478))
    assert isinstance(first, Damaged)
    assert why in first.why
    assert first.data == bad
    assert not first.first_after_open
    assert isinstance(second, Frame)
    assert second.counts == 478


def test_a_value_between_two_steps_is_damage() -> None:
    first, second = decode(written(127, places=4, inch=True) + written(125, places=4, inch=True), INCH)
    assert isinstance(first, Damaged)
    assert "0.0127 is not a whole number of steps of 0.0005 in" in first.why
    assert isinstance(second, Frame)
    assert second.counts == 25


def test_a_unit_without_a_step_is_damage_that_names_the_key() -> None:
    first, second = decode(b"\xe1\x00\x04\x78" + b"\xe0\x00\x04\x78", layout="Eudddddd")
    assert isinstance(first, Damaged)
    assert "step_in" in first.why
    assert isinstance(second, Frame)


def test_more_than_a_nibble_in_a_byte_is_damage() -> None:
    good = written(478, nibbles="one-a-byte")
    bad = bytearray(good)
    bad[6] |= 0x40
    first, second = decode(bytes(bad) + good, nibbles="one-a-byte")
    assert isinstance(first, Damaged)
    assert "more than a nibble" in first.why
    assert isinstance(second, Frame)


# opening


@pytest.mark.parametrize("cut", range(1, 6))
def test_half_a_frame_after_opening_is_put_down_to_it(cut: int) -> None:
    data = written(478)
    first, *rest = decode(data[cut:] + data * 2, fresh=True)
    assert isinstance(first, Damaged)
    assert first.first_after_open
    assert first.data == data[cut:]
    assert counts(rest) == [478, 478]


def test_only_what_comes_before_the_first_frame_is_put_down_to_opening() -> None:
    items = decode(b"\x12" + written(1) + b"\x34" + written(2), fresh=True)
    assert [i.first_after_open for i in items if isinstance(i, Damaged)] == [True, False]


def test_bytes_that_never_make_a_frame_do_not_hide_behind_the_opening() -> None:
    items = decode(bytes(range(200)) * 5, fresh=True)
    damaged = [i for i in items if isinstance(i, Damaged)]
    assert [d.first_after_open for d in damaged[:2]] == [True, False]


def test_opening_again_forgets_half_a_frame() -> None:
    decoder = PackedDecimal(MM, layout=DISTINCT)
    assert counts(decoder.feed(written(1) + written(2)[:4])) == [1]
    decoder.reset()
    assert counts(decoder.feed(written(3))) == [3]


# finding the frames


def test_one_damaged_byte_costs_at_most_its_frame() -> None:
    sent = [4321 * n + 17 for n in range(12)]
    data = b"".join(map(written, sent))
    for at in range(len(data)):
        for byte in (0x00, 0x55, 0xED, 0xFF):
            hurt = bytearray(data)
            hurt[at] = byte
            got = counts(decode(bytes(hurt)))
            kept = sent[: at // 6] + sent[at // 6 + 1 :]
            assert [n for n in got if n in kept] == kept, (at, byte)


@pytest.mark.parametrize("layout", [DISTINCT, VAGUE])
def test_a_lost_or_added_byte_is_got_over(layout: str) -> None:
    size = len(layout) // 2
    frames = [written(n * 1111 % 1000, layout) for n in range(30)]
    data = b"".join(frames)
    for at in range(5 * size, 7 * size):
        for hurt in (data[:at] + data[at + 1 :], data[:at] + b"\x00" + data[at:]):
            decoder = PackedDecimal(MM, layout=layout)
            items = decoder.feed(hurt)
            got = counts(items)
            assert got[-15:] == [n * 1111 % 1000 for n in range(15, 30)]
            # A wrong value may only stand where the damaged frame was.
            assert len([n for n in got if n not in [k * 1111 % 1000 for k in range(30)]]) <= 1


def test_a_frame_that_could_begin_anywhere_is_believed_after_a_few() -> None:
    frames = [written(n * 1237 % 99999, VAGUE) for n in range(20)]
    items = decode(b"".join(frames)[2:], layout=VAGUE, fresh=True)
    assert isinstance(items[0], Damaged)
    assert all(i.first_after_open for i in items if isinstance(i, Damaged))
    got = counts(items)
    assert got == [n * 1237 % 99999 for n in range(20)][-len(got) :]
    assert len(got) >= 15


def test_a_place_that_stays_doubtful_gives_nothing() -> None:
    """A display at rest whose digits look like the fixed nibble: every place explains the bytes."""
    assert counts(decode(b"\x11" * 160, layout="1ddddddd")) == []


def test_one_damaged_frame_does_not_make_it_search_again() -> None:
    frames = [bytearray(written(n * 1237 % 99999, VAGUE)) for n in range(20)]
    frames[12][2] = 0xFA
    got = counts(decode(b"".join(frames), layout=VAGUE))
    wanted = [n * 1237 % 99999 for n in range(20) if n != 12]
    assert got == wanted[-len(got) :]
    assert len(got) >= 15


# properties

orders = st.fixed_dictionaries(
    {
        "nibbles": st.sampled_from(["high-first", "low-first", "one-a-byte"]),
        "bits": st.sampled_from(["high-first", "low-first"]),
        "digits": st.sampled_from(["high-first", "low-first"]),
        "point_from": st.sampled_from(["right", "left"]),
    }
)
LAYOUTS = [DISTINCT, "AFpsdddddduE", "EEE-sudddddpFC", "FFddddddddsp--", VAGUE + "--"]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.integers(-99999, 99999), min_size=1, max_size=12),
    orders,
    st.sampled_from(LAYOUTS[:4]),
    st.integers(2, 4),
    st.booleans(),
)
def test_what_was_sent_is_what_comes_out(
    sent: list[int], order: dict[str, str], layout: str, places: int, inch: bool
) -> None:
    inch = inch and "u" in layout
    data = b"".join(written(n, layout, places=places, inch=inch, **order) for n in sent)  # type: ignore[arg-type]
    items = decode(data, layout=layout, **order)
    if "p" not in layout:
        places = 3
    scale = Scale(Decimal(1).scaleb(-places), "in" if inch else "mm")
    wanted = [n for n in sent if abs(n) * scale.step_mm <= 10000]
    assert counts(items) == wanted
    assert all(i.scale == scale for i in items if isinstance(i, Frame))


pieces = st.lists(
    st.one_of(
        st.binary(max_size=30),
        st.integers(-99999, 99999).map(written),
        st.integers(-99999, 99999).map(lambda n: written(n, VAGUE)),
        st.sampled_from([b"\xed", b"\xed\xc3", b"\xff" * 300, b"\x11" * 40]),
    ),
    max_size=12,
).map(b"".join)


@settings(max_examples=200, deadline=None)
@given(pieces, st.data(), st.sampled_from([DISTINCT, VAGUE]), st.booleans())
def test_splits_make_no_difference(data: bytes, draw: st.DataObject, layout: str, fresh: bool) -> None:
    whole = decode(data, layout=layout, fresh=fresh)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=10)))
    for edges in (list(range(len(data) + 1)), [0, *cuts, len(data)]):
        decoder = PackedDecimal(MM, layout=layout)
        if fresh:
            decoder.reset()
        assert [i for a, b in itertools.pairwise(edges) for i in decoder.feed(data[a:b])] == whole


@settings(max_examples=200, deadline=None)
@given(st.lists(st.binary(max_size=80), max_size=6), orders, st.sampled_from(LAYOUTS))
def test_no_bytes_whatever_raise_and_the_way_back_is_found(
    garbage: list[bytes], order: dict[str, str], layout: str
) -> None:
    decoder = PackedDecimal(MM, layout=layout, **order)
    decoder.reset()
    for g in garbage:
        assert all(isinstance(i, Frame | Damaged) for i in decoder.feed(g))
    sent = [n * 1237 % 9999 for n in range(120)]
    got = counts(decoder.feed(b"".join(written(n, layout, **order) for n in sent)))  # type: ignore[arg-type]
    assert got[-5:] == sent[-5:]


@pytest.mark.parametrize("layout", [DISTINCT, VAGUE])
def test_memory_stays_bounded(layout: str) -> None:
    assert kept_of_noise(PackedDecimal(MM, layout=layout)) < 20_000


def test_every_byte_is_accounted_for() -> None:
    data = bytes(range(256)) * 3 + written(1) + b"\xed\xed\xed" + written(2)
    items = decode(data)
    assert sum(len(i.data) if isinstance(i, Damaged) else 6 for i in items) == len(data)


# layouts that describe no frame


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        ({"layout": "EDspddddddu"}, "layout"),
        ({"layout": "EDsp------uF"}, "layout"),
        ({"layout": "dddddd"}, "layout"),
        ({"layout": "EDsspdddduF-"}, "layout"),
        ({"layout": "EDbspddddddu"}, "layout"),
        ({"layout": "EDxpdddddduF"}, "layout"),
        ({"layout": "edspdddddduF"}, "layout"),
        ({"layout": "E" + "d" * 13}, "layout"),
        ({"layout": "E" * 129 + "d", "nibbles": "one-a-byte"}, "layout"),
        ({"layout": "E" * 129 + "d"}, "layout"),
        ({"plus": [1, 2], "minus": [2]}, "minus"),
        ({"mm": [1], "inch": [1]}, "inch"),
    ],
)
def test_a_layout_that_describes_no_frame_is_refused(keys: dict[str, Any], key: str) -> None:
    with pytest.raises(LayoutError) as e:
        PackedDecimal(MM, **{"layout": DISTINCT, **keys})
    assert e.value.key == key
    with pytest.raises(ProfileError) as p:
        load_profile({"use": "packed-decimal", **keys}, "command line")
    assert str(p.value).startswith(f"command line, {key}: given {keys[key]!r}; allowed: ")


def test_the_packaged_profile_reads_what_the_bench_writes() -> None:
    decoder = load_profile({"use": "packed-decimal", "step_in": 0.0005}).decoder()
    (a,) = decoder.feed(frame_of(-478, 0.001, "mm", "packed"))
    (b,) = decoder.feed(frame_of(25, 0.0005, "in", "packed"))
    assert isinstance(a, Frame)
    assert isinstance(b, Frame)
    assert (a.counts, a.scale) == (-478, MM)
    assert (b.counts, b.scale) == (25, INCH)
