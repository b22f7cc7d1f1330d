"""Lines of text: good ones give the value, damaged ones are reported, nothing is raised."""

from __future__ import annotations

import itertools
import re
import tracemalloc
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis.readings import Scale
from capture.decoders import Damaged, Frame, TextLine
from capture.rawstream import Link, Rx, read_records

MM = Scale(Decimal("0.001"), "mm")
COARSE = Scale(Decimal("0.01"), "mm")
INCH = Scale(Decimal("0.0005"), "in")
SUM = r"^(?P<sign>[+-])(?P<value>\d+\.\d+)\*(?P<sum>[0-9A-F]{2})$"


def decode(data: bytes, scale: Scale = MM, fresh: bool = False, **how: Any) -> list[Frame | Damaged]:
    """All items of some bytes."""
    decoder = TextLine(scale, **how)
    if fresh:
        decoder.reset()
    return decoder.feed(data)


GOOD: list[tuple[str, bytes, Scale, dict[str, Any], list[int]]] = [
    ("sign and leading zeros", b"+000.478\r\n", MM, {}, [478]),
    ("negative", b"-012.345\r\n", MM, {}, [-12345]),
    ("no sign", b"0.478\r\n", MM, {}, [478]),
    ("no digit before the point", b".478\r\n", MM, {}, [478]),
    ("no digit after the point", b"3.\r\n", MM, {}, [3000]),
    ("fewer places than the display", b"1.5\r\n", MM, {}, [1500]),
    ("more zeros than the display", b"1.50000\r\n", MM, {}, [1500]),
    ("whole millimetres without a point", b"12\r\n", MM, {}, [12000]),
    ("decimal comma", b"+000,478\r\n", MM, {}, [478]),
    ("sign after the value", b"000.478-\r\n", MM, {}, [-478]),
    ("plus after the value, comma, return", b"0,478+\r", MM, {}, [478]),
    ("sign set apart", b"-   0.478\r\n", MM, {}, [-478]),
    ("name of the channel first", b"A: -0.478\r\n", MM, {}, [-478]),
    ("unit in the text, the display's own", b"0.478 mm\r\n", MM, {}, [478]),
    ("unit in capitals", b"0.478MM\r\n", MM, {}, [478]),
    ("inch mark", b'0.0125"\r\n', INCH, {}, [25]),
    ("two single strokes for inches", b"0.0125''\r\n", INCH, {}, [25]),
    ("word inch", b"-0.0125 inch\r\n", INCH, {}, [-25]),
    ("blanks around", b"   +000.478   \r\n", MM, {}, [478]),
    ("line feed only", b"+0.001\n+0.002\n", MM, {}, [1, 2]),
    ("return only", b"+0.001\r+0.002\r", MM, {}, [1, 2]),
    ("feed before return", b"+0.001\n\r+0.002\n\r", MM, {}, [1, 2]),
    ("empty lines between", b"\r\n\r\n+0.001\r\n\r\n", MM, {}, [1]),
    ("return asked for, feed stays outside", b"+0.001\r\n+0.002\r\n", MM, {"end": "crlf"}, [1, 2]),
    ("return alone as end", b"+0.001\r+0.002\r", MM, {"end": "cr"}, [1, 2]),
    ("feed alone as end", b"+0.001\n+0.002\n", MM, {"end": "lf"}, [1, 2]),
    ("no point, places stated", b"+000478\r\n", MM, {"places": 3}, [478]),
    ("no point, four places, inches", b"-000125\r\n", INCH, {"places": 4}, [-25]),
    ("a point wins over stated places", b"0.478\r\n", MM, {"places": 5}, [478]),
    ("coarse display", b"+00.47\r\n", COARSE, {}, [47]),
    ("half-thousandths of an inch", b"0.0005\r\n0.0010\r\n", INCH, {}, [1, 2]),
    ("zero", b"+000.000\r\n", MM, {}, [0]),
    ("zero below", b"-000.000\r\n", MM, {}, [0]),
    ("sum of the bytes", b"+000.478*B6\r\n", MM, {"pattern": SUM, "checksum": "sum-hex"}, [478]),
    ("bytes combined by exclusive or", b"+000.478*24\r\n", MM, {"pattern": SUM, "checksum": "xor-hex"}, [478]),
    (
        "own pattern, sign within the value",
        b"DIM=-1.250;\r\n",
        MM,
        {"pattern": r"^DIM=(?P<value>[+-]?\d+\.\d+);$"},
        [-1250],
    ),
]


def test_the_check_sums_of_the_table_were_made_by_hand() -> None:
    body = b"+000.478*"
    assert f"{sum(body) & 0xFF:02X}" == "B6"
    x = 0
    for byte in body:
        x ^= byte
    assert f"{x:02X}" == "24"


@pytest.mark.parametrize(("data", "scale", "how", "counts"), [c[1:] for c in GOOD], ids=[c[0] for c in GOOD])
@pytest.mark.parametrize("piece", [0, 1])
def test_good_lines(data: bytes, scale: Scale, how: dict[str, Any], counts: list[int], piece: int) -> None:
    decoder = TextLine(scale, **how)
    pieces = [data] if piece == 0 else [data[i : i + 1] for i in range(len(data))]
    items = [item for p in pieces for item in decoder.feed(p)]
    assert all(isinstance(i, Frame) for i in items), items
    assert [i.counts for i in items if isinstance(i, Frame)] == counts
    assert all(i.scale == scale for i in items if isinstance(i, Frame))


DAMAGED: list[tuple[str, bytes, Scale, dict[str, Any], str]] = [
    ("letters", b"ERROR\r\n", MM, {}, "not a value"),
    ("damaged digit", b"+000.4?8\r\n", MM, {}, "not a value"),
    ("high bit set on a digit", b"+000.\xb478\r\n", MM, {}, "not a value"),
    ("high bit set on the sign", b"\xad000.478\r\n", MM, {}, "not a value"),
    ("wild byte before the line", b"\xfe+000.478\r\n", MM, {}, "not a value"),
    ("two points", b"0.4.78\r\n", MM, {}, "not a value"),
    ("two values in one line", b"0.478 0.479\r\n", MM, {}, "not a value"),
    ("two lines run together", b"+000.478+000.479\r\n", MM, {}, "not a value"),
    ("two signs", b"+0.478-\r\n", MM, {}, "two signs"),
    ("sign only", b"-\r\n", MM, {}, "not a value"),
    ("point only", b".\r\n", MM, {}, "not a value"),
    ("unknown unit", b"0.478 cm\r\n", MM, {}, "not a value"),
    ("unknown unit, own pattern", b"0.5cm\r\n", MM, {"pattern": r"(?P<value>[\d.]+)(?P<unit>[a-z]+)"}, "unit 'cm'"),
    ("between two steps", b"0.4785\r\n", MM, {}, "whole number of steps of 0.001 mm"),
    ("between two half-thousandths", b"0.0127\r\n", INCH, {}, "whole number of steps of 0.0005 in"),
    ("out of any range", b"99999.000\r\n", MM, {}, "range"),
    ("out of any range, inches", b"400.0000\r\n", INCH, {}, "range"),
    ("as many digits as fit a line", b"9" * 200 + b"\r\n", MM, {}, "range"),
    ("sum wrong", b"+000.478*B9\r\n", MM, {"pattern": SUM, "checksum": "sum-hex"}, "checksum is B9, should be B6"),
    ("digit wrong under a sum", b"+000.479*B6\r\n", MM, {"pattern": SUM, "checksum": "sum-hex"}, "should be B7"),
    ("sum missing from the pattern", b"0.478\r\n", MM, {"checksum": "sum-hex"}, "checksum missing"),
    ("own pattern takes a word", b"NaN\r\n", MM, {"pattern": r"(?P<value>\S+)"}, "not a number"),
    ("own pattern takes another word", b"-Infinity\r\n", MM, {"pattern": r"(?P<value>\S+)"}, "not a number"),
    ("own pattern takes a power", b"1e999999\r\n", MM, {"pattern": r"(?P<value>\S+)"}, "not a number"),
    ("own pattern takes an underscore", b"1_0\r\n", MM, {"pattern": r"(?P<value>\S+)"}, "not a number"),
    ("own pattern without a value this time", b"LOW\r\n", MM, {"pattern": r"LOW|(?P<value>\d\.\d+)"}, "not a value"),
    ("zeros", b"\x00\x00\x00\r\n", MM, {}, "not a value"),
]


@pytest.mark.parametrize(("data", "scale", "how", "why"), [c[1:] for c in DAMAGED], ids=[c[0] for c in DAMAGED])
def test_damaged_lines_are_reported_with_their_bytes_and_cost_only_themselves(
    data: bytes, scale: Scale, how: dict[str, Any], why: str
) -> None:
    decoder = TextLine(scale, **how)
    items = decoder.feed(data)
    assert len(items) == 1
    (item,) = items
    assert isinstance(item, Damaged)
    assert why in item.why
    assert item.data == data.rstrip(b"\r\n")
    assert not item.first_after_open
    good = {"sum-hex": b"+000.001*A4\r\n"}.get(how.get("checksum", ""), b"0.5\r\n")
    if "unit" not in str(how.get("pattern")) and "checksum" not in how:
        assert isinstance(decoder.feed(good)[0], Frame)


def test_the_value_is_shown_as_the_display_shows_it() -> None:
    items = decode(b"+000.478\r\n-012.300\r\n-000.000\r\n")
    assert [i.shown for i in items if isinstance(i, Frame)] == ["0.478 mm", "-12.300 mm", "0.000 mm"]


def test_the_unit_in_the_text_changes_the_scale_and_back() -> None:
    items = decode(b"0.478 mm\r\n0.01880 in\r\n0.01885 in\r\n0.479 mm\r\n")
    frames = [i for i in items if isinstance(i, Frame)]
    assert [(f.counts, f.scale.unit, f.scale.step) for f in frames] == [
        (478, "mm", Decimal("0.001")),
        (1880, "in", Decimal("0.00001")),
        (1885, "in", Decimal("0.00001")),
        (479, "mm", Decimal("0.001")),
    ]
    assert frames[1].scale is frames[2].scale
    # 1 in = 25.4 mm exactly (international inch)
    assert float(frames[1].counts * frames[1].scale.step_mm) == pytest.approx(0.47752, abs=1e-12)


# the first line after the link opened


def test_a_first_line_that_may_lack_its_start_is_reported_as_such() -> None:
    first, second = decode(b"478\r\n+000.479\r\n", fresh=True)
    assert isinstance(first, Damaged)
    assert first.first_after_open
    assert isinstance(second, Frame)
    assert second.counts == 479


@pytest.mark.parametrize("rest", [b"8", b"78", b"r\xff.", b"mm", b"*B6"])
def test_any_damaged_first_line_is_put_down_to_the_opening_and_no_later_one(rest: bytes) -> None:
    first, second = decode(rest + b"\r\nnonsense\r\n", fresh=True)
    assert isinstance(first, Damaged)
    assert first.first_after_open
    assert isinstance(second, Damaged)
    assert not second.first_after_open


def test_after_a_line_end_the_next_line_has_its_start() -> None:
    (item,) = decode(b"\n12\r\n", fresh=True)
    assert isinstance(item, Frame)
    assert item.counts == 12000


def test_opening_again_forgets_half_a_line() -> None:
    decoder = TextLine(MM)
    assert decoder.feed(b"+0.478\r\n+12.") == [Frame(478, MM, "0.478 mm")]
    decoder.reset()
    assert decoder.feed(b"45\r\n+0.479\r\n") == [
        Damaged("perhaps cut short", b"45", True),
        Frame(479, MM, "0.479 mm"),
    ]


def test_opening_again_ends_the_skipping_of_an_overlong_line() -> None:
    decoder = TextLine(MM)
    (item,) = decoder.feed(b"x" * 300)
    assert isinstance(item, Damaged)
    decoder.reset()
    assert decoder.feed(b"xx\r\n+0.479\r\n")[1] == Frame(479, MM, "0.479 mm")


@pytest.mark.parametrize(
    "whole", [b"+012.345\r\n", b"-000.478\r\n", b"000.478-\r\n", b"-0,478 mm\r\n", b"12345\r\n", b"\r+0.001\n"]
)
@pytest.mark.parametrize("places", [None, 3])
def test_whatever_is_left_of_a_first_line_is_no_reading(whole: bytes, places: int | None) -> None:
    end = whole.rstrip(b"\r\n")
    for cut in range(len(end)):
        decoder = TextLine(MM, places=places)
        decoder.reset()
        items = decoder.feed(whole[cut:] + b"+000.001\r\n")
        if whole[cut:].startswith(b"\r"):
            continue  # a line end was seen: what follows is whole
        assert [i.counts for i in items if isinstance(i, Frame)] == [1], whole[cut:]
        assert isinstance(items[0], Damaged)
        assert items[0].first_after_open


def test_an_indicator_that_is_asked_loses_its_first_answer_and_no_more() -> None:
    decoder = TextLine(MM)
    decoder.reset()
    items = [i for n in range(5) for i in decoder.feed(b"%.3f\r" % (n / 1000))]
    assert [i.counts for i in items if isinstance(i, Frame)] == [1, 2, 3, 4]


# lines that lost bytes and still are numbers


def steady(form: str = "{:+08.3f}\r\n", lines: int = 40) -> bytes:
    """Lines of one form, values both sides of zero."""
    return b"".join(form.format((n - 20) / 1000 * 7).encode() for n in range(lines))


@pytest.mark.parametrize(
    ("form", "line", "why"),
    [
        ("{:+08.3f}\r\n", b"+12\r\n", "no decimal point"),
        ("{:+08.3f}\r\n", b"+012.34\r\n", "fewer decimal places"),
        ("{:+08.3f}\r\n", b"+012.\r\n", "fewer decimal places"),
        ("{:+08.3f}\r\n", b"+02.345\r\n", "fewer digits"),
        ("{:+08.3f}\r\n", b"012.345\r\n", "no sign"),
        ("{:.3f}\r\n", b"12\r\n", "no decimal point"),
        ("{:.3f}\r\n", b"1.2\r\n", "fewer decimal places"),
        ("{:.3f} mm\r\n", b"1.23 mm\r\n", "fewer decimal places"),
    ],
)
def test_a_line_out_of_form_in_mid_stream_is_damaged(form: str, line: bytes, why: str) -> None:
    decoder = TextLine(MM)
    assert all(isinstance(i, Frame) for i in decoder.feed(steady(form)))
    (item,) = decoder.feed(line)
    assert isinstance(item, Damaged)
    assert why in item.why
    assert all(isinstance(i, Frame) for i in decoder.feed(steady(form)))
    # The very same damage again finds no frame kept from before.
    assert isinstance(decoder.feed(line)[0], Damaged)


def test_one_line_with_a_point_is_enough_to_expect_it() -> None:
    frame, damaged = decode(b"+0.478\r\n+12\r\n")
    assert isinstance(frame, Frame)
    assert isinstance(damaged, Damaged)
    assert [i.counts for i in decode(b"+0.478\r\n+12\r\n", places=0) if isinstance(i, Frame)] == [478, 12000]
    assert [i.counts for i in decode(b"12.\r\n12\r\n", Scale(Decimal(1), "mm")) if isinstance(i, Frame)] == [12, 12]


@pytest.mark.parametrize(
    "lines",
    [
        [b"0.001", b"0.01", b"0.1", b"-0.25", b"1.125"] * 20,  # closing zeros left out
        [b"%.3f" % (n / 10) for n in range(90, 110)] * 5,  # one digit more from ten on
        [b"%.3f" % (n / 1000) for n in range(-50, 50)],  # a sign below zero only
        [b"+0.002", b"+0.001", b"0.000", b"-0.001", b"-0.002"] * 20,  # none at zero
        [b"0.500 mm", b"0.0188 in", b"0.510 mm", b"0.0189 in"] * 20,  # the unit key
        [b"-0.5"] * 50 + [b"+0.5"] * 50,
    ],
    ids=["closing zeros", "one digit more", "minus only", "none at zero", "unit key", "at rest"],
)
def test_forms_that_vary_by_themselves_are_no_damage(lines: list[bytes]) -> None:
    items = decode(b"".join(x + b"\r\n" for x in lines))
    assert all(isinstance(i, Frame) for i in items)


def test_a_form_that_was_none_is_given_up() -> None:
    decoder = TextLine(MM)
    decoder.feed(steady())
    shorter = b"".join(b"+%.2f\r\n" % (n / 100) for n in range(40))
    items = decoder.feed(shorter)
    lost = sum(isinstance(i, Damaged) for i in items)
    assert 4 <= lost <= 6
    assert all(isinstance(i, Frame) for i in items[lost:])


# damage, splits, memory


@pytest.mark.parametrize("end", ["any", "crlf", "cr", "lf"])
@pytest.mark.parametrize("length", [255, 256, 257, 258, 511, 512, 513, 514, 700, 5000])
def test_an_overlong_line_is_one_damage_however_it_arrives(end: str, length: int) -> None:
    close = {"any": b"\r\n", "crlf": b"\r\n", "cr": b"\r", "lf": b"\n"}[end]
    data = b"+0.001" + close + b"x" * length + close + b"+0.002" + close
    whole = decode(data, end=end)
    decoder = TextLine(MM, end=end)
    single = [i for n in range(len(data)) for i in decoder.feed(data[n : n + 1])]
    assert whole == single
    assert [type(i) for i in whole] == [Frame, Damaged, Frame]
    assert isinstance(whole[1], Damaged)
    assert len(whole[1].data) == min(length, 256)


def test_it_finds_its_way_back_after_garbage() -> None:
    garbage = bytes(range(256)) * 5
    items = decode(b"+0.001\r\n" + garbage + b"\r\n+0.002\r\n+0.003\r\n")
    frames = [i.counts for i in items if isinstance(i, Frame)]
    assert frames[0] == 1
    assert frames[-2:] == [2, 3]
    assert any(isinstance(i, Damaged) for i in items)


def test_one_damaged_byte_costs_at_most_two_lines() -> None:
    lines = [b"%+08.3f\r\n" % (n / 1000) for n in range(20)]
    data = b"".join(lines)
    sent = list(range(20))
    for at in range(len(data)):
        for byte in (0x00, 0x0A, 0x0D, 0x3F, 0x7F, 0x80, 0xAD, 0xFF):
            hurt = bytearray(data)
            hurt[at] = byte
            got = iter([i.counts for i in decode(bytes(hurt)) if isinstance(i, Frame)])
            kept = [n for n in sent if n not in (at // 10, at // 10 + 1)]
            assert all(n in got for n in kept), (at, byte)  # in this order, something else between them at most


chunks = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from(
            [
                b"+000.478\r\n",
                b"-0,478 mm\r",
                b"0.0188in\n",
                b"\r",
                b"\n",
                b"\r\n",
                b"x" * 255,
                b"x" * 256,
                b"x" * 257,
                b"7" * 300,
                b" " * 300,
                b"478\r\n",
            ]
        ),
    ),
    max_size=8,
).map(b"".join)


@settings(max_examples=250, deadline=None)
@given(chunks, st.data(), st.sampled_from(["any", "crlf", "cr", "lf"]), st.booleans(), st.sampled_from([None, 3]))
def test_splits_make_no_difference(data: bytes, draw: st.DataObject, end: str, fresh: bool, places: int | None) -> None:
    whole = decode(data, end=end, fresh=fresh, places=places)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=10)))
    for edges in (list(range(len(data) + 1)), [0, *cuts, len(data)]):
        decoder = TextLine(MM, end=end, places=places)
        if fresh:
            decoder.reset()
        pieces = [data[a:b] for a, b in itertools.pairwise(edges)]
        assert [i for p in pieces for i in decoder.feed(p)] == whole


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.binary(max_size=60), max_size=6),
    st.sampled_from([None, SUM, r"(?P<value>.*)", r"(?P<value>\S+)?", r"(?P<sign>.)?(?P<value>\S*)(?P<unit>\S*)"]),
    st.sampled_from(["none", "xor-hex", "sum-hex"]),
    st.sampled_from([None, 0, 6]),
    st.sampled_from([MM, INCH, Scale(Decimal(1), "mm")]),
)
@example([b"nan\r\n"], r"(?P<value>.*)", "none", 3, MM)
@example([b"1E+99999999999999999999\r\n"], r"(?P<value>.*)", "none", 3, MM)
def test_no_bytes_whatever_raise(
    pieces: list[bytes], pattern: str | None, checksum: str, places: int | None, scale: Scale
) -> None:
    decoder = TextLine(scale, pattern=pattern, checksum=checksum, places=places)
    decoder.reset()
    for piece in [*pieces, b"\r\n+000.478\r\n"]:
        for item in decoder.feed(piece):
            assert isinstance(item, Frame | Damaged)


@settings(max_examples=100, deadline=None)
@given(
    st.integers(-9_999_999, 9_999_999),
    st.sampled_from([MM, COARSE, INCH]),
    st.sampled_from(["+08.3f", "comma", "after"]),
)
def test_what_was_sent_is_what_comes_out(counts: int, scale: Scale, form: str) -> None:
    value = counts * scale.step
    places = -int(scale.step.as_tuple().exponent)
    text = f"{value:+.{places}f}"
    if form == "comma":
        text = text.replace(".", ",")
    if form == "after":
        text = text[1:] + text[0]
    (item,) = decode(text.encode() + b"\r\n", scale)
    limit = Decimal(10000) / (Decimal("25.4") if scale.unit == "in" else 1)
    if abs(value) > limit:
        assert isinstance(item, Damaged)
    else:
        assert isinstance(item, Frame)
        assert (item.counts, item.scale) == (counts, scale)


@pytest.mark.parametrize("end", ["any", "crlf"])
def test_memory_stays_bounded_without_a_line_end(end: str) -> None:
    decoder = TextLine(MM, end=end)
    noise = b"0123456789abcde\x80" * 256
    decoder.feed(noise)
    tracemalloc.start()
    try:
        items = sum(len(decoder.feed(noise)) for _ in range(500))
        kept, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert items == 0
    assert kept < 20_000
    assert peak < 40_000


def test_memory_stays_bounded_when_every_line_has_another_unit_and_step() -> None:
    decoder = TextLine(MM)
    for _ in range(3):
        for digits in range(1, 240):
            decoder.feed(b"0." + b"0" * digits + b"in\r\n")
    assert len(decoder._value._scales._by_digits) < 64


def test_a_long_piece_takes_time_in_proportion() -> None:
    import time

    def seconds(lines: int) -> float:
        data = b"+000.478\n" * lines
        begin = time.thread_time()
        assert len(decode(data)) == lines
        return time.thread_time() - begin

    seconds(100)
    short = min(seconds(1000) for _ in range(3))
    # In proportion is 30 times; with the square it would be 900 times.
    assert seconds(30_000) < 200 * short


def test_of_a_recorded_cable_that_drops_bytes_no_cut_line_becomes_a_reading() -> None:
    path = Path(__file__).resolve().parents[2] / "recorded_streams" / "cut-lines" / "stream.jsonl"
    decoder = TextLine(MM)
    items: list[Frame | Damaged] = []
    sent = b""
    for record in read_records(path):
        if isinstance(record, Link):
            decoder.reset()
        elif isinstance(record, Rx):
            sent += record.data
            items += decoder.feed(record.data)
    lines = sent.split(b"\r\n")[:-1]
    whole = re.compile(rb"[+-]\d{3}\.\d{3}")
    cut = [n for n, x in enumerate(lines) if not whole.fullmatch(x)]
    assert len(cut) >= 10
    assert cut[0] == 0
    assert [n for n, i in enumerate(items) if isinstance(i, Damaged)] == cut
