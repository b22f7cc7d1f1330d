"""JSON lines: the value under its name, unit and step where the line has them; damage is reported."""

from __future__ import annotations

import itertools
import json
import tracemalloc
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis.readings import Scale
from capture.decoders import Damaged, Frame, JsonLines
from capture.errors import ProfileError
from capture.profiles import load_profile
from capture.simulator.wires import frame_of

MM = Scale(Decimal("0.001"), "mm")


def decode(data: bytes, scale: Scale = MM, fresh: bool = False, **how: Any) -> list[Frame | Damaged]:
    """All items of some bytes."""
    decoder = JsonLines(scale, **how)
    if fresh:
        decoder.reset()
    return decoder.feed(data)


INCH_STEP = {"steps": {"in": Decimal("0.0005")}}


@pytest.mark.parametrize(
    ("line", "how", "value", "unit", "step"),
    [
        ('{"value":0.478}', {}, 478, "mm", "0.001"),
        ('{"value":-12.345,"unit":"mm"}', {}, -12345, "mm", "0.001"),
        ('{"value":12}', {}, 12000, "mm", "0.001"),
        ('{"value":4.78E-1}', {}, 478, "mm", "0.001"),
        ('{"value":"0.478"}', {}, 478, "mm", "0.001"),
        ('{"value":" -0,478 "}', {}, -478, "mm", "0.001"),
        ('{"value":-0.0}', {}, 0, "mm", "0.001"),
        ('{"value":0e999}', {}, 0, "mm", "0.001"),
        ('{"value":0.0125,"unit":"in","step":0.0005}', {}, 25, "in", "0.0005"),
        ('{"value":0.0125,"unit":"IN"}', INCH_STEP, 25, "in", "0.0005"),
        ('{"value":0.0125,"unit":"inch"}', INCH_STEP, 25, "in", "0.0005"),
        ('{"value":0.0125,"unit":"\\""}', INCH_STEP, 25, "in", "0.0005"),
        ('{"value":0.47,"step":0.01}', {}, 47, "mm", "0.01"),
        ('{"value":0.478,"step":"0.001"}', {}, 478, "mm", "0.001"),
        ('{"value":0.478,"unit":null,"step":null}', {}, 478, "mm", "0.001"),
        ('{"id":7,"length":0.478,"value":99}', {"value_key": "length"}, 478, "mm", "0.001"),
        ('{"probe":{"reading":{"mm":0.478}}}', {"value_key": "probe.reading.mm"}, 478, "mm", "0.001"),
        ('{"v":0.478,"u":"mm","s":0.002}', {"value_key": "v", "unit_key": "u", "step_key": "s"}, 239, "mm", "0.002"),
        ('  {"value" : 0.478 }  ', {}, 478, "mm", "0.001"),
        # Binary fractions written out in full, as float arithmetic leaves them
        (f'{{"value":{0.1 + 0.2}}}', {}, 300, "mm", "0.001"),
        ('{"value":0.47799999999999998}', {}, 478, "mm", "0.001"),
        ('{"value":0.478,"name":"Messuhr \\u00b5m","raw":[1,2,{"value":3}]}', {}, 478, "mm", "0.001"),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_good_lines(line: str, how: dict[str, Any], value: int, unit: str, step: str, end: str) -> None:
    (item,) = decode((line + end).encode(), **how)
    assert isinstance(item, Frame)
    assert (item.counts, item.scale) == (value, Scale(Decimal(step), unit))  # type: ignore[arg-type]


def test_the_value_is_shown_in_plain_digits() -> None:
    shown = [i.shown for i in decode(b'{"value":4.78E-1}\n{"value":0.30000000000000004}\n') if isinstance(i, Frame)]
    assert shown == ["0.478 mm", "0.300 mm"]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"0.478", "not a JSON object"),
        (b"[0.478]", "not a JSON object"),
        (b'{"value":0.478', "not a JSON object"),
        (b'{"value":0.478}}', "not a JSON object"),
        (b'{"value":0.4?8}', "not a JSON object"),
        (b'{"value":\xff0.478}', "not a JSON object"),
        (b'{"value":NaN}', "not a JSON object"),
        (b'{"value":-Infinity}', "not a JSON object"),
        (b"[" * 1000, "not a JSON object"),
        (b'{"value":1e99999999999999999999}', "not a JSON object"),
        (b'{"value":1e999999}', "no number under value"),
        (b'{"value":"NaN"}', "no number under value"),
        (b'{"value":true}', "no number under value"),
        (b'{"value":null}', "no number under value"),
        (b'{"value":{"value":1}}', "no number under value"),
        (b'{"Value":0.478}', "no number under value"),
        (b"{}", "no number under value"),
        (b'{"value":0.478,"unit":"cm"}', "unit 'cm' is not mm or in"),
        (b'{"value":0.478,"unit":1}', "is not mm or in"),
        (b'{"value":0.0125,"unit":"in"}', "step_in"),
        (b'{"value":0.478,"step":0}', "step"),
        (b'{"value":0.478,"step":-0.001}', "step"),
        (b'{"value":0.478,"step":"fine"}', "step"),
        (b'{"value":0.478,"step":1e-20}', "step"),
        (b'{"value":0.4785}', "not a whole number of steps of 0.001 mm"),
        (b'{"value":0.47801}', "not a whole number of steps"),
        (b'{"value":99999}', "range"),
    ],
)
def test_damaged_lines_say_why_and_the_next_is_whole(line: bytes, why: str) -> None:
    first, second = decode(line + b'\n{"value":1}\n')
    assert isinstance(first, Damaged)
    assert why in first.why
    assert first.data == line
    assert not first.first_after_open
    assert isinstance(second, Frame)


def test_half_a_line_after_opening_is_put_down_to_it_and_no_later_one() -> None:
    line = b'{"value":0.478}\n'
    for cut in range(1, len(line) - 1):
        first, second, third = decode(line[cut:] + line + b"x\n", fresh=True)
        assert isinstance(first, Damaged)
        assert first.first_after_open
        assert isinstance(second, Frame)
        assert isinstance(third, Damaged)
        assert not third.first_after_open


def test_opening_again_forgets_half_a_line() -> None:
    decoder = JsonLines(MM)
    decoder.feed(b'{"value":')
    decoder.reset()
    assert decoder.feed(b'{"value":1}\n') == [Frame(1000, MM, "1 mm")]


def test_another_unit_is_another_scale() -> None:
    a, b = decode(frame_of(12700, 0.001, "mm", "json") + frame_of(10000, 0.00005, "in", "json"))
    assert isinstance(a, Frame)
    assert isinstance(b, Frame)
    # 0.5 in = 12.7 mm exactly (international inch)
    assert a.counts * a.scale.step_mm == b.counts * b.scale.step_mm
    assert (a.scale.unit, b.scale.unit) == ("mm", "in")


@pytest.mark.parametrize("length", [1023, 1024, 1025, 1026, 2049, 5000])
def test_an_overlong_line_is_one_damage_however_it_arrives(length: int) -> None:
    good = b'{"value":1}\n'
    data = good + b"x" * length + b"\n" + good
    whole = decode(data)
    decoder = JsonLines(MM)
    assert [i for n in range(len(data)) for i in decoder.feed(data[n : n + 1])] == whole
    assert [type(i) for i in whole] == [Frame, Damaged, Frame]


@settings(max_examples=150, deadline=None)
@given(
    st.integers(-9_999_999, 9_999_999),
    st.sampled_from([Decimal("0.001"), Decimal("0.01"), Decimal("0.0005"), Decimal("0.00005")]),
    st.sampled_from(["mm", "in"]),
    st.booleans(),
)
def test_what_was_sent_is_what_comes_out(counts: int, step: Decimal, unit: str, floating: bool) -> None:
    """Also through a float and back, as a micro-controller's library does it."""
    scale = Scale(step, unit)  # type: ignore[arg-type]
    value = counts * step
    line = json.dumps({"value": float(value) if floating else str(value), "unit": unit, "step": float(step)})
    (item,) = decode(line.encode() + b"\n")
    if abs(value) * (Decimal("25.4") if unit == "in" else 1) > 10000:
        assert isinstance(item, Damaged)
    else:
        assert isinstance(item, Frame)
        assert (item.counts, item.scale) == (counts, scale)


lines = st.lists(
    st.one_of(
        st.binary(max_size=40),
        st.sampled_from([b'{"value":1}\n', b'{"value":0.5,"unit":"in"}\r\n', b"\r", b"\n", b"x" * 1024, b"{" * 1100]),
    ),
    max_size=8,
).map(b"".join)


@settings(max_examples=150, deadline=None)
@given(lines, st.data(), st.booleans())
def test_splits_make_no_difference(data: bytes, draw: st.DataObject, fresh: bool) -> None:
    whole = decode(data, fresh=fresh)
    cuts = sorted(draw.draw(st.lists(st.integers(0, len(data)), max_size=10)))
    for edges in (list(range(len(data) + 1)), [0, *cuts, len(data)]):
        decoder = JsonLines(MM)
        if fresh:
            decoder.reset()
        assert [i for a, b in itertools.pairwise(edges) for i in decoder.feed(data[a:b])] == whole


json_values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=10)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=5), inner, max_size=3)),
    max_leaves=6,
)


@settings(max_examples=250, deadline=None)
@given(json_values, json_values, json_values, st.lists(st.binary(max_size=60), max_size=3))
@example("1E+99999999999999999999", None, None, [])
@example("sNaN", None, None, [])
@example(1, "mm", "Infinity", [])
@example(1, "in", 1e-300, [])
def test_nothing_whatever_raises(value: object, unit: object, step: object, noise: list[bytes]) -> None:
    decoder = JsonLines(MM, **INCH_STEP)  # type: ignore[arg-type]
    decoder.reset()
    line = json.dumps({"value": value, "unit": unit, "step": step}).encode()
    for piece in [line, b"\n", *noise, b"\n"]:
        assert all(isinstance(i, Frame | Damaged) for i in decoder.feed(piece))
    assert decoder.feed(b'{"value":1}\n') == [Frame(1000, MM, "1 mm")]


def test_memory_stays_bounded() -> None:
    decoder = JsonLines(MM)
    decoder.feed(b"x" * 4096)
    tracemalloc.start()
    try:
        for n in range(200):
            decoder.feed(b'{"value":1,"step":%d}\n' % (n + 1))
            decoder.feed(b"{[" * 2048)
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert kept < 60_000


@pytest.mark.parametrize("key", ["value_key", "unit_key", "step_key"])
@pytest.mark.parametrize("value", ["", 5, "x" * 65, None])
def test_a_name_that_is_none_is_refused(key: str, value: object) -> None:
    with pytest.raises(ProfileError) as e:
        load_profile({"use": "json-lines", key: value}, "command line")
    assert str(e.value).startswith(f"command line, {key}: given {value!r}; allowed: ")


def test_the_packaged_profile_reads_what_the_bench_writes() -> None:
    (item,) = load_profile("json-lines").decoder().feed(frame_of(-478, 0.001, "mm", "json"))
    assert isinstance(item, Frame)
    assert (item.counts, item.scale) == (-478, MM)
