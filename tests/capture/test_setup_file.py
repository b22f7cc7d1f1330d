"""A bad set-up file: file, key, what was given, what is allowed, nearest name; and nothing is computed."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from capture.errors import SetupFileError
from capture.setup_file import load_setup

# Scenario figures are invented; the arithmetic is derived here.
WHOLE = """
units = "mm"
[gearset]
nominal = 61.70
etched = "+3"
etched_step = 0.01
etched_sense = "subtracts"
tolerance = 0.03
aim = 0.02
[arbor]
constant = 58.400
constant_u = 0.002
reading_sense = "grows"
tip_radius = 1.5
bridge = { thickness = 2.000, u = 0.001, on = "pinion" }
[indicator]
resolution = 0.001
mpe = 0.004
repeatability = 0.001
[housing]
material = "cast iron"
temperature = 24.5
arbor_temperature = -2
bore_to_seat = 118
[decision]
rule = "expanded"
[shims]
fitted = 0.62
thicker_moves = "toward"
max_pieces = 3
thin_limit = 0.15
max_thin = 0
stock = [{ thickness = 0.30, count = 2, id = "a" }, { thickness = 0.35 }]
order_grades = { from = 0.30, to = 0.90, step = 0.02 }
[carrier]
left = 1.20
right = 1.25
zero_play_sum = 2.30
preload_pinch = 0.15
sign = { left = "toward", right = "away" }
backlash = { places = [0.15, 0.16, 0.14], target = 0.15, tolerance = 0.03, radius = 80 }
[preload]
pinion = { min = 1.2, max = 1.8, unit = "N·m", condition = "new" }
"""


def write(tmp_path: Path, text: str) -> Path:
    """A set-up file with this text."""
    path = tmp_path / "setup.toml"
    path.write_text(text, "utf-8")
    return path


def problems(tmp_path: Path, text: str) -> list[str]:
    """The refusal's lines, each beginning with the file."""
    path = write(tmp_path, text)
    with pytest.raises(SetupFileError) as e:
        load_setup(path)
    lines = str(e.value).splitlines()
    assert all(line.startswith(f"{path}, ") for line in lines), lines
    return [line.removeprefix(f"{path}, ") for line in lines]


def test_a_whole_file_is_read_exactly(tmp_path: Path) -> None:
    s = load_setup(write(tmp_path, WHOLE))
    assert s.gearset.nominal == Decimal("61.70")
    assert s.target is not None
    assert s.target.distance == Decimal("61.67")
    assert s.tolerance_mm == 0.03
    assert s.shims.stock[0].count == 2
    assert s.housing.arbor_temperature == Decimal(-2)
    assert s.shims.max_thin == 0


def test_inches_become_millimetres_once(tmp_path: Path) -> None:
    s = load_setup(write(tmp_path, 'units = "in"\n[gearset]\nnominal = 2.4375\ntolerance = 0.001\n'))
    # 1 in = 25.4 mm exactly (international inch): 2.4375 in = 61.9125 mm
    assert s.to_mm(s.gearset.nominal) == 61.9125
    assert s.tolerance_mm == 0.0254


def test_an_empty_file_states_nothing_and_nothing_is_assumed(tmp_path: Path) -> None:
    s = load_setup(write(tmp_path, ""))
    assert s.units == "mm"
    assert s.target is None
    assert s.tolerance_mm is None
    assert s.reading_sense is None
    assert s.shims.thicker_moves is None


def test_a_mark_of_byte_order_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "setup.toml"
    path.write_bytes(b"\xef\xbb\xbf" + WHOLE.encode())
    assert load_setup(path).gearset.nominal == Decimal("61.70")


@pytest.mark.parametrize(
    ("text", "key", "given", "nearest"),
    [
        ("[gearset]\nnominl = 61.7\n", "gearset.nominl", "61.7", "nominal"),
        ("[gearst]\nnominal = 61.7\n", "gearst", "a table", "gearset"),
        ('unit = "mm"\n', "unit", '"mm"', "units"),
        ("[arbor]\nconstnt = 58.4\n", "arbor.constnt", "58.4", "constant"),
        ("[arbor]\nmaster = { distance = 58, redaing = 0 }\n", "arbor.master.redaing", "0", "reading"),
        ("[shims]\nstock = [{ thickness = 0.3, cont = 2 }]\n", "shims.stock.1.cont", "2", "count"),
        ("[shims]\norder_grades = { form = 1, to = 2, step = 0.1 }\n", "shims.order_grades.form", "1", "from"),
        ("[shims]\nthicker_move = true\n", "shims.thicker_move", "true", "thicker_moves"),
        ('[carrier]\nsign = { lft = "away" }\n', "carrier.sign.lft", '"away"', "left"),
    ],
)
def test_an_unknown_key_gets_the_valid_ones_and_the_nearest(
    tmp_path: Path, text: str, key: str, given: str, nearest: str
) -> None:
    (line,) = [x for x in problems(tmp_path, text) if x.startswith(f"{key}:")]
    assert line.startswith(f"{key}: given {given}; allowed: one of ")
    assert line.endswith(f"; nearest valid name: {nearest}")
    assert nearest in line.split("allowed: one of ")[1].split(";")[0].split(", ")


@pytest.mark.parametrize(
    ("text", "key", "given", "allowed"),
    [
        ("[gearset]\ntolerance = 0\n", "gearset.tolerance", "0", "a number above 0"),
        ("[gearset]\ntolerance = -0.03\n", "gearset.tolerance", "-0.03", "a number above 0"),
        ('[gearset]\ntolerance = "0.03"\n', "gearset.tolerance", '"0.03"', "a number"),
        ("[gearset]\ntolerance = true\n", "gearset.tolerance", "true", "a number"),
        ("[gearset]\ntolerance = nan\n", "gearset.tolerance", "NaN", "an ordinary number"),
        ("[gearset]\ntolerance = inf\n", "gearset.tolerance", "Infinity", "an ordinary number"),
        ("[gearset]\ntolerance = [0.03]\n", "gearset.tolerance", "a list", "a number"),
        ("[gearset]\netched = 3\n", "gearset.etched", "3", "text in quotes"),
        ("gearset = 3\n", "gearset", "3", "a table of keys"),
        ('units = "cm"\n', "units", '"cm"', '"mm" or "in"'),
        ('[arbor]\nreading_sense = "up"\n', "arbor.reading_sense", '"up"', '"grows" or "shrinks"'),
        ('[shims]\nthicker_moves = "in"\n', "shims.thicker_moves", '"in"', '"away", "toward" or "unknown"'),
        ("[shims]\nmax_pieces = 2.5\n", "shims.max_pieces", "2.5", "a whole number"),
        ("[shims]\nmax_pieces = 0\n", "shims.max_pieces", "0", "a number not below 1"),
        ("[shims]\nmax_pieces = 7\n", "shims.max_pieces", "7", "a number not above 6"),
        ("[shims]\nstock = [{ count = 2 }]\n", "shims.stock.1.thickness", "nothing", "this key must be given"),
        ("[shims]\nstock = 0.3\n", "shims.stock", "0.3", "a list"),
        (
            '[decision]\nrule = "both"\n',
            "decision.rule",
            '"both"',
            '"one-sided" or "expanded"',
        ),
        (
            "[shims]\norder_grades = { from = 2, to = 1, step = 0.1 }\n",
            "shims.order_grades.to",
            "1",
            "not less than from (2)",
        ),
        (
            "[gearset]\ntolerance = 0.02\naim = 0.03\n",
            "gearset.aim",
            "0.03",
            "not more than the tolerance 0.02",
        ),
    ],
)
def test_a_bad_value_is_named_with_what_is_allowed(
    tmp_path: Path, text: str, key: str, given: str, allowed: str
) -> None:
    (line,) = problems(tmp_path, text)
    assert line == f"{key}: given {given}; allowed: {allowed}"


@pytest.mark.parametrize(
    ("text", "key", "word"),
    [
        ('[gearset]\nnominal = 61.7\netched = "+3"\netched_step = 0.01\n', "gearset.etched_sense", "never assumed"),
        (
            '[gearset]\nnominal = 61.7\netched = "+3"\netched_sense = "adds"\n',
            "gearset.etched_step",
            "from the manual",
        ),
        (
            '[gearset]\netched = "+3"\netched_step = 0.01\netched_sense = "adds"\n',
            "gearset.nominal",
            "nominal distance",
        ),
        (
            '[gearset]\nnominal = 61.7\netched = "three"\netched_step = 0.01\netched_sense = "adds"\n',
            "gearset.etched",
            "three",
        ),
        (
            "[arbor]\nconstant = 58\nmaster = { distance = 58, reading = 0 }\n",
            "arbor.constant",
            "one of the two",
        ),
    ],
)
def test_what_belongs_together_is_asked_for_together(tmp_path: Path, text: str, key: str, word: str) -> None:
    (line,) = problems(tmp_path, text)
    assert line.startswith(f"{key}: given ")
    assert word in line


def test_every_problem_is_told_at_once(tmp_path: Path) -> None:
    lines = problems(tmp_path, '[gearset]\ntolerance = 0\nnominl = 1\n[shims]\nthicker_moves = "in"\nmax_pieces = 9\n')
    assert [line.split(":")[0] for line in lines] == [
        "gearset.tolerance",
        "gearset.nominl",
        "shims.thicker_moves",
        "shims.max_pieces",
    ]


@pytest.mark.parametrize(
    ("content", "word"),
    [
        (b"[gearset\n", "not valid TOML"),
        (b"[gearset]\nnominal = 61,7\n", "not valid TOML"),
        (b"[gearset]\nnominal = 1\nnominal = 2\n", "not valid TOML"),
        (b"[gearset]\nnominal = 61,7\n", "nominal = 61,7. Write decimals with a point"),
        (b"[arbor]\n[gearset]\n[arbor]\n", "at line 3, column 7): [arbor]"),
        (b'{"format":"shimwright-stream/1"}\n', "This is a recording"),
        (b"\xff\xfe[gearset]\n", "save it again as plain text, encoding UTF-8"),
        ("[gearset]\n".encode("utf-16"), "save it again as plain text, encoding UTF-8"),
    ],
)
def test_a_file_that_is_no_toml_names_file_and_place(tmp_path: Path, content: bytes, word: str) -> None:
    path = tmp_path / "setup.toml"
    path.write_bytes(content)
    with pytest.raises(SetupFileError) as e:
        load_setup(path)
    text = str(e.value)
    assert str(path) in text
    assert word in text
    if word == "not valid TOML":
        assert "line 1" in text or "line 2" in text or "line 3" in text


def test_a_missing_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(SetupFileError, match="no such file"):
        load_setup(tmp_path / "absent.toml")
    with pytest.raises(SetupFileError, match="is a folder; give the set-up file in it"):
        load_setup(tmp_path)


@pytest.mark.parametrize("number", ["1e400", "-1e7", "1000000.001", "99999999999999999999"])
def test_a_number_nothing_on_a_bench_comes_to_is_refused(tmp_path: Path, number: str) -> None:
    path = tmp_path / "setup.toml"
    path.write_text(WHOLE.replace("constant = 58.400", f"constant = {number}"), "utf-8")
    with pytest.raises(SetupFileError, match=r"arbor\.constant: given .*; allowed: a number of 1000000 at most"):
        load_setup(path)


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("nominal = 1e99999999", "far larger or smaller than any length"),
        ("nominal = 1e-99999999", "far larger or smaller than any length"),
        ("nominal = 1e9999999999999999999", "no number that can be reckoned with"),
        ("nominal = " + "[" * 5000, "too deep in one another"),
    ],
)
def test_a_figure_or_a_depth_nothing_can_be_made_of_is_an_error(tmp_path: Path, line: str, why: str) -> None:
    file = tmp_path / "setup.toml"
    file.write_text(f"[gearset]\n{line}\n", encoding="utf-8")
    with pytest.raises(SetupFileError, match=why) as e:
        load_setup(file)
    assert str(e.value).startswith(f"{file}: not valid TOML: ")


@pytest.mark.parametrize("name", ["\\u0007", "a\\nb", "x" * 81])
def test_a_shims_name_that_cannot_be_printed_is_an_error(tmp_path: Path, name: str) -> None:
    file = tmp_path / "setup.toml"
    file.write_text(f'[shims]\nstock = [{{ thickness = 0.4, id = "{name}" }}]\n', encoding="utf-8")
    with pytest.raises(
        SetupFileError, match=r"shims.stock.1.id: given .*; allowed: text that can be printed, at most 80 characters"
    ):
        load_setup(file)
