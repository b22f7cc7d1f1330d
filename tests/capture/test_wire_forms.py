"""Indicators of many sorts: what a profile can say of them, that nothing they did not mean is read, and that they are identified."""

from __future__ import annotations

import struct
from decimal import Decimal
from typing import Any

import pytest

from analysis.readings import Scale
from capture.decoders import Damaged, Frame, GattLength, JsonLines, TextLine
from capture.decoders.attribute_packets import notified, read
from capture.decoders.checks import crc
from capture.errors import ProfileError
from capture.identify import Candidate, Sample, rank
from capture.identify.proposing import proposals
from capture.profiles import load_profile
from tests.fakes.wire_forms import CRC_16, FORMS, Form, crc_16, readings

MM = Scale(Decimal("0.001"), "mm")


def frames(items: list[Frame | Damaged]) -> list[tuple[int, str]]:
    """Counts and units of the readings among what a decoder gave."""
    return [(i.counts, i.scale.unit) for i in items if isinstance(i, Frame)]


def reasons(items: list[Frame | Damaged]) -> list[str]:
    """Why the others are none."""
    return [i.why for i in items if isinstance(i, Damaged)]


# profiles


@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
@pytest.mark.parametrize("size", [1, 3, 7, 4096])
def test_a_profile_reads_what_was_meant_and_nothing_else(form: Form, size: int) -> None:
    sent = readings(form)
    decoder = load_profile(form.profile).decoder()
    data = b"".join(s.data for s in sent)
    got = frames([i for at in range(0, len(data), size) for i in decoder.feed(data[at : at + size])])
    meant = [(s.counts, s.unit) for s in sent if s.counts is not None]
    left = iter(meant)
    assert all(one in left for one in got)
    # Where nothing marks a beginning, finding it takes a few.
    assert len(got) >= len(meant) - (12 if "length" in form.profile else 0)


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ({"length": 8}, "length: given 8; allowed: with a pattern"),
        ({"length": 1, "pattern": "(?P<value>.)"}, "length: given 1; allowed: 2 to 64"),
        ({"end": "nl"}, "end: given 'nl'; allowed: "),
        ({"end": "."}, "end: given '.'; allowed: "),
        ({"end": "\\x"}, "end: given"),
        ({"power": 12}, "power: given 12; allowed: a whole number, -9 to 9"),
        (
            {"checksum": "crc-hex", "pattern": "(?P<value>.)(?P<sum>..)"},
            "checksum: given 'crc-hex'; allowed: with crc = {",
        ),
        ({"use": "counted-binary", "layout": "AA vv vv", "check": "none", "number": "float"}, "layout: given"),
        (
            {"use": "packed-decimal", "layout": "A ddd c A", "check": "sum"},
            "layout: given 'A ddd c A'; allowed: c together",
        ),
        ({"use": "packed-decimal", "layout": "AA dddd cc"}, "check: given None; allowed: "),
        (
            {"use": "packed-decimal", "layout": "AA dddd", "check": "xor"},
            "check: given 'xor'; allowed: \"none\" without c",
        ),
    ],
)
def test_what_does_not_go_together_is_refused_with_what_is_allowed(table: dict[str, Any], key: str) -> None:
    with pytest.raises(ProfileError) as e:
        load_profile(table, "profile")
    assert f"profile, {key}" in str(e.value)


def test_the_check_of_remote_units_agrees_with_its_parameters() -> None:
    """The catalogues' check value of nine digits, 4B37 (value from memory), from two independent ways to reckon it."""
    assert crc(**CRC_16)(b"123456789") == 0x4B37
    assert crc_16(b"123456789") == b"\x37\x4b"


@pytest.mark.parametrize(
    ("form", "value", "counts"),
    [
        (0x17, struct.pack("<I", (-6 & 0xFF) << 24 | 478), 478),
        (0x17, struct.pack("<I", (-6 & 0xFF) << 24 | (-478 & 0xFFFFFF)), -478),
        (0x17, struct.pack("<I", (-7 & 0xFF) << 24 | 4780), 478),
        (0x16, struct.pack("<H", (-5 & 0xF) << 12 | 478), 4780),
        (0x16, struct.pack("<H", (-5 & 0xF) << 12 | (-12 & 0xFFF)), -120),
    ],
)
def test_decimal_fractions_over_bluetooth(form: int, value: bytes, counts: int) -> None:
    """Formats of IEEE 11073-20601 (value from memory): a number and a power of ten, both in two's complement."""
    about = struct.pack("<BbHBH", form, 0, 0x2701, 1, 0)
    assert frames(GattLength(MM).feed(read(9, about) + notified(9, value))) == [(counts, "mm")]


@pytest.mark.parametrize("value", [0x007FFFFF, 0x00800000, 0x007FFFFE, 0x00800002, 0x00800001])
def test_what_is_no_number_over_bluetooth_is_no_reading(value: int) -> None:
    about = struct.pack("<BbHBH", 0x17, 0, 0x2701, 1, 0)
    items = GattLength(MM).feed(read(9, about) + notified(9, struct.pack("<I", value)))
    assert (frames(items), reasons(items)) == ([], ["value is no number"])


# what an indicator says besides


def lines(*texts: str) -> bytes:
    return b"".join(t.encode() + b"\r\n" for t in texts)


def test_a_notice_with_a_number_between_readings_is_none() -> None:
    decoder = TextLine(MM)
    decoder.feed(lines("", *(f"+0.{n:03d}" for n in range(8))))
    items = decoder.feed(lines("BAT 2.950", "+0.111", "TEMP 21.500", "+0.112", "SN 4.711"))
    assert frames(items) == [(111, "mm"), (112, "mm")]
    assert reasons(items)[0] == "'BAT' before the value, unlike the lines before"


def test_many_notices_never_become_readings() -> None:
    decoder = TextLine(MM)
    decoder.feed(lines("", *(f"+0.{n:03d}" for n in range(8))))
    for n in range(100):
        assert frames(decoder.feed(lines("BAT 2.950", f"+0.{n % 30:03d}"))) == [(n % 30, "mm")]


def test_a_status_letter_may_change_come_and_go() -> None:
    decoder = TextLine(MM)
    items = decoder.feed(lines("", *(f"{'RHL'[n % 3] if n % 4 else ''} +0.{n:03d}" for n in range(60))))
    assert frames(items) == [(n, "mm") for n in range(60)]


def test_a_word_that_stays_is_the_indicators_new_state() -> None:
    decoder = TextLine(MM)
    decoder.feed(lines("", *(f"+0.{n:03d}" for n in range(30))))
    items = decoder.feed(lines(*(f"HOLD +0.{n:03d}" for n in range(30))))
    assert len(reasons(items)) == 15
    assert frames(items) == [(n, "mm") for n in range(15, 30)]


def test_a_unit_key_that_is_not_told_makes_no_reading_in_the_wrong_unit() -> None:
    decoder = TextLine(MM)
    decoder.feed(lines("", *(f"+000.{n:03d}" for n in range(30))))
    items = decoder.feed(lines(*(f"+0.{n:05d}" for n in range(0, 3000, 50))))
    assert frames(items) == []
    assert "more decimal places than the lines before: was the unit changed?" in reasons(items)


def test_a_line_that_lost_its_unit_is_none_and_an_indicator_that_leaves_it_out_is_heard() -> None:
    decoder = TextLine(MM)
    decoder.feed(lines("", *(f"0.{n:03d} in" for n in range(20))))
    items = decoder.feed(lines("0.018", "0.018 in", "0.019"))
    assert frames(items) == [(18, "in")]
    assert reasons(items) == ["no unit, unlike the lines before"] * 2
    later = decoder.feed(lines("0.020 in", *(f"0.{n:03d}" for n in range(40))))
    assert frames(later)[1:] == [(n, "mm") for n in range(15, 40)]


def test_a_json_line_that_lost_its_unit_is_none_and_a_bridge_that_leaves_it_out_is_heard() -> None:
    decoder = JsonLines(MM, steps={"in": Decimal("0.001")})
    decoder.feed(lines("", '{"value": 0.017, "unit": "in"}'))
    items = decoder.feed(lines('{"value": 0.018, "nit": "in"}', '{"value": 0.018, "unit": "in"}'))
    assert (frames(items), reasons(items)) == ([(18, "in")], ["no unit, unlike the lines before"])
    later = decoder.feed(lines(*(f'{{"value": 0.{n:03d}}}' for n in range(40))))
    assert frames(later) == [(n, "mm") for n in range(16, 40)]


def test_the_step_of_the_other_unit_is_the_stated_one() -> None:
    decoder = TextLine(MM, steps={"in": Decimal("0.0005")})
    (item,) = decoder.feed(lines("", "0.0185 in"))
    assert isinstance(item, Frame)
    assert (item.counts, item.scale.step) == (37, Decimal("0.0005"))


# identifying


def ranked(data: bytes) -> list[Candidate]:
    """Candidates for bytes that came over a few seconds."""
    pieces = [data[i : i + 8] for i in range(0, len(data), 8)]
    return rank(Sample([(n / 10, p) for n, p in enumerate(pieces)]), proposals(data))


def reads(candidate: Candidate, form: Form) -> bool:
    """Whether a candidate reads a longer stream of an indicator as it was meant, up to what it says it does not know."""
    sent = [s for s in readings(form, 300) if s.unit == "mm"]
    decoder = load_profile(candidate.table).decoder()
    data = b"".join(form.make(s.counts or 0, "mm", n) for n, s in enumerate(sent) if s.counts is not None)
    got = [i.counts * i.scale.step_mm for i in decoder.feed(b"\n" + data) if isinstance(i, Frame)]
    step = load_profile(form.profile).scale.step_mm
    meant = iter([s.counts * step for s in sent if s.counts is not None])
    return len(got) > 100 and all(one in meant for one in got)


@pytest.mark.parametrize("form", [f for f in FORMS.values() if f.name != "text-unit-letter"], ids=lambda f: f.name)
def test_the_first_that_is_proposed_reads_what_was_meant(form: Form) -> None:
    sent = [s for s in readings(form) if s.unit == "mm"]
    found = ranked(b"".join(s.data for s in sent)[3:])
    assert found, "nothing is proposed"
    assert reads(found[0], form), (found[0].table, found[0].guessed)


def test_a_layout_that_was_made_up_is_said_to_be_and_never_sure() -> None:
    data = b"".join(b"\x02\x40" + struct.pack("<i", (n * 7) % 61 - 30) + b"\r\n" for n in range(60))
    first = ranked(data)[0]
    assert first.table["use"] == "counted-binary"
    assert "layout" in first.guessed
    assert not first.sure
    assert first.explained > 0.95


def test_a_layout_with_a_check_that_agrees_needs_no_guess() -> None:
    found = ranked(b"".join(s.data for s in readings(FORMS["binary-two-orders"])))
    assert found[0].guessed == ["unit", "resolution"]
    assert found[0].sure
    assert found[0].proven


@pytest.mark.parametrize(
    ("line", "unit", "power"),
    [("{0:+d}.0 um", "mm", -3), ("{0:+d}.5 mil", "in", -3), ("{0:+.3E}", None, None)],
)
def test_no_number_is_taken_for_one_in_another_unit(line: str, unit: str | None, power: int | None) -> None:
    data = b"".join(f"{line.format((n * 7) % 61 - 30)}\r\n".encode() for n in range(60))
    for c in ranked(data):
        assert "exponent" in c.table["pattern"] if power is None else c.table["power"] == power
        assert unit is None or c.table["unit"] == unit


def test_a_number_among_others_is_said_to_be_a_guess() -> None:
    data = b"".join(f"A{(n * 7) % 61 / 1000:+.3f} B{(n * 5) % 43 / 1000:+.3f}\r\n".encode() for n in range(60))
    assert all("pattern" in c.guessed for c in ranked(data))
    objects = b"".join(b'{"a": %.3f, "b": %.3f}\n' % ((n * 7) % 61 / 1000, (n * 5) % 43 / 1000) for n in range(60))
    assert all("value_key" in c.guessed for c in ranked(objects))
