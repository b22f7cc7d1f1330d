"""Figures: what they say, that they are the same every time, and that they stand alone."""

from __future__ import annotations

import copy
import re
import subprocess
import sys
import threading
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from capture.rerun import Rerun, rerun
from capture.setup_file import load_setup
from tests.web.fonts import fonts_open as fonts_open
from web import figures
from web.figures import Figure
from web.figures.drawing import THEME, percent

STREAMS = Path(__file__).parents[2] / "recorded_streams"


@pytest.fixture(scope="module")
def warming() -> Rerun:
    folder = STREAMS / "three-seatings-warming"
    return rerun(folder / "stream.jsonl", load_setup(folder / "setup.toml"))


@pytest.fixture(scope="module")
def knocks() -> Rerun:
    return rerun(STREAMS / "knocks-and-half-sweeps" / "stream.jsonl")


@pytest.fixture(scope="module")
def drawn(warming: Rerun) -> dict[str, Figure]:
    """One of each."""
    r = warming.result()
    chosen = figures.stock(r)
    assert chosen is not None
    return {
        "sweep": figures.sweep(warming.session.traces[0]),
        "minima": figures.minima(r, sense="grows"),
        "drift": figures.drift(r),
        "budget": figures.budget(r),
        "stock": chosen,
    }


KINDS = ("sweep", "minima", "drift", "budget", "stock")


@pytest.mark.parametrize("kind", KINDS)
def test_a_figure_is_one_svg_with_its_words_inside(drawn: dict[str, Figure], kind: str) -> None:
    f = drawn[kind]
    root = ET.fromstring(f.svg)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert root.get("role") == "img"
    words = [root.find(f"{{http://www.w3.org/2000/svg}}{tag}") for tag in ("title", "desc")]
    assert [w.text for w in words if w is not None] == [f.title, f.alt]
    assert root.get("aria-labelledby") == " ".join(w.get("id", "") for w in words if w is not None)
    assert len(f.alt) > len(f.title)
    assert f._repr_svg_() == f.svg


@pytest.mark.parametrize("kind", KINDS)
def test_text_is_paths_and_nothing_is_fetched(drawn: dict[str, Figure], kind: str) -> None:
    svg = drawn[kind].svg
    assert "<text" not in svg
    assert "<image" not in svg
    assert "<script" not in svg
    assert "<metadata" not in svg
    assert set(re.findall(r"https?://[^\"' <)]*", svg)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert all(x.startswith("#") for x in re.findall(r'href="([^"]*)"', svg))


@pytest.mark.parametrize("kind", KINDS)
def test_names_inside_are_its_own_and_lead_somewhere(drawn: dict[str, Figure], kind: str) -> None:
    svg = drawn[kind].svg
    names = re.findall(r'\bid="([^"]*)"', svg)
    assert names
    assert len(names) == len(set(names))
    assert all(n.startswith(f"{kind}-") for n in names)
    used = re.findall(r'href="#([^"]*)"', svg) + re.findall(r"url\(#([^)]*)\)", svg)
    assert set(used) <= set(names)


def test_the_same_result_gives_the_same_bytes(warming: Rerun, drawn: dict[str, Figure]) -> None:
    r = warming.result()
    assert figures.minima(r, sense="grows") == drawn["minima"]
    assert figures.budget(r) == drawn["budget"]
    code = (
        "import sys, hashlib; from pathlib import Path; from capture.rerun import rerun; from capture.setup_file import load_setup\n"
        "from web import figures; p = Path(sys.argv[1])\n"
        "r = rerun(p / 'stream.jsonl', load_setup(p / 'setup.toml')).result()\n"
        "sys.stdout.buffer.write(figures.minima(r, sense='grows').svg.encode())"
    )
    other = subprocess.run(
        [sys.executable, "-c", code, str(STREAMS / "three-seatings-warming")],
        capture_output=True,
        check=True,
        cwd=STREAMS.parent,
        env={"PATH": "", "PYTHONHASHSEED": "7"},
    )
    assert other.stdout.decode() == drawn["minima"].svg


def test_figures_drawn_in_several_threads_are_the_same(warming: Rerun, drawn: dict[str, Figure]) -> None:
    r = warming.result()
    from matplotlib import font_manager

    got: list[Figure] = []
    threads = [threading.Thread(target=lambda: got.append(figures.drift(r))) for _ in range(3)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    # The library keeps the fonts of each thread open (64 at most); those of threads that are gone are given back here.
    font_manager._get_font.cache_clear()  # type: ignore[attr-defined]
    assert got == [drawn["drift"]] * 3
    assert figures.drift(r) == drawn["drift"]


def test_the_look_of_others_is_left_alone(warming: Rerun) -> None:
    import matplotlib

    before = dict(matplotlib.rcParams)
    figures.drift(warming.result())
    assert dict(matplotlib.rcParams) == before


def test_the_page_may_give_its_own_colours(drawn: dict[str, Figure]) -> None:
    themed = drawn["minima"].themed()
    assert "var(--ink, #1d2427)" in themed
    assert not [c for c in THEME if re.search(rf"(?<!, ){c}", themed)]


# what they say


def test_sweep_says_its_bottom_and_how_sure(warming: Rerun, drawn: dict[str, Figure]) -> None:
    s = warming.session.sweeps[0]
    assert drawn["sweep"].title == f"Sweep 1: bottom at {s.minimum_mm:.4f} mm, u {1000 * (s.u_mm or 0):.1f} µm"
    assert "root mean square" in drawn["sweep"].alt


def test_a_rejected_sweep_says_why(knocks: Rerun) -> None:
    trace = next(t for t in knocks.session.traces if "knock" in t.sweep.reasons)
    f = figures.sweep(trace)
    assert "rejected: bumped" in f.title
    assert "rejected: bumped" in f.alt


def test_a_sweep_without_a_bottom_is_drawn_too() -> None:
    run = rerun(STREAMS / "too-fast" / "stream.jsonl")
    bare = [t for t in run.session.traces if t.fit is None]
    for t in bare[:1]:
        assert "no bottom" in figures.sweep(t).title
    assert all(figures.sweep(t, name=f"s{t.sweep.n}").svg for t in run.session.traces[:3])


def test_minima_say_the_ruling_and_where_the_tolerance_lies(warming: Rerun, drawn: dict[str, Figure]) -> None:
    r = warming.result()
    f = drawn["minima"]
    assert "12 sweeps in 3 seatings" in f.title
    assert f.title.endswith(f"against the tolerance: {r['depth']['ruling']}")
    # the distance grows with the display here, so the limits lie at constant + display = target ± tolerance (60.03 ± 0.03, 58.4)
    assert "from 1.6000 to 1.6600 mm" in f.alt
    for seat in (1, 2, 3):
        assert f"seating {seat} " in f.alt
    plain = figures.minima(r)
    assert "tolerance" not in plain.title + plain.alt


def test_the_tolerance_lies_the_other_way_on_a_display_that_shrinks() -> None:
    folder = STREAMS / "shrinks"
    setup = load_setup(folder / "setup.toml")
    assert setup.reading_sense == "shrinks"
    r = rerun(folder / "stream.jsonl", setup).result()
    d = r["depth"]
    f = figures.minima(r, sense="shrinks")
    middle = r["set"]["minimum_mm"] + d["error_mm"]
    low, high = middle - d["tolerance_mm"], middle + d["tolerance_mm"]
    assert f"from {low:.4f} to {high:.4f} mm" in f.alt


def test_drift_names_heading_play_only_where_it_was_found(drawn: dict[str, Figure]) -> None:
    assert "play" not in drawn["drift"].title
    f = figures.drift(rerun(STREAMS / "play-by-heading" / "stream.jsonl").result())
    assert "play by heading" in f.title
    assert "12.4 µm" in f.title or re.search(r"differ by 1[0-4]\.\d µm", f.title)


def test_budget_is_told_largest_first(warming: Rerun, drawn: dict[str, Figure]) -> None:
    lines = sorted(warming.result()["depth"]["budget"], key=lambda x: -x["u_mm"])
    alt = drawn["budget"].alt
    assert [alt.index(x["name"] + f" {1000 * x['u_mm']:.2f}") for x in lines] == sorted(
        alt.index(x["name"] + f" {1000 * x['u_mm']:.2f}") for x in lines
    )
    assert lines[0]["name"] in drawn["budget"].title


def test_stock_names_the_pieces_and_what_is_left(warming: Rerun, drawn: dict[str, Figure]) -> None:
    shim = warming.result()["shim"]
    f = drawn["stock"]
    assert f.title.startswith(" + ".join(p["id"] for p in shim["stock"]["pieces"]))
    assert f"{shim['stack_mm']:.3f} mm needed" in f.title
    assert "runner-up" in f.alt


def _without(result: dict[str, Any], **shim: Any) -> dict[str, Any]:
    return result | {"shim": result["shim"] | shim}


@pytest.mark.parametrize("named", ["$", "$\\bad{$", "a_{b}^c", "</svg><script>x</script>", "--><b>&amp;"])
def test_a_shims_name_is_words_and_nothing_else(warming: Rerun, named: str) -> None:
    r: dict[str, Any] = copy.deepcopy(warming.result())
    r["shim"]["stock"]["pieces"][0]["id"] = named
    f = figures.stock(r)
    assert f is not None
    ET.fromstring(f.svg)
    assert "<script" not in f.svg
    assert "<b>" not in f.svg


def test_an_order_is_drawn_where_nothing_fits(warming: Rerun) -> None:
    order = [
        {"thickness_mm": 1.18, "thickness": "1.18", "unit": "mm", "role": "nearest", "predicted_error_mm": -0.008},
        {"thickness_mm": 1.16, "thickness": "1.16", "unit": "mm", "role": "one below", "predicted_error_mm": 0.012},
    ]
    r = warming.result()
    f = figures.stock(_without(r, stock=None, runner_up=None, order=order))
    assert f is not None
    assert "order 1.18 mm" in f.title
    assert "one below" in f.alt
    assert figures.stock(_without(r, stock=None, runner_up=None, order=[])) is None
    assert figures.stock(_without(r, stack_mm=None)) is None
    assert figures.stock(r | {"shim": None}) is None


def test_no_sweeps_give_figures_that_say_so(tmp_path: Path) -> None:
    path = tmp_path / "empty.jsonl"
    path.write_text(
        '{"format":"shimwright-stream/1","profile":{"use":"text-line","unit":"mm","resolution":0.001}}\n', "utf-8"
    )
    r = rerun(path).result()
    assert figures.minima(r).title == "No accepted sweep"
    assert figures.drift(r).title == "No accepted sweep"
    assert figures.budget(r).title == "No uncertainty yet"


def test_a_share_is_never_rounded_to_all_or_nothing() -> None:
    assert [percent(x) for x in (0.0, 0.004, 0.5, 0.9951, 1.0)] == [
        "under 1 %",
        "under 1 %",
        "50 %",
        "over 99 %",
        "over 99 %",
    ]


def test_the_drawing_library_is_not_imported_before_something_is_drawn() -> None:
    code = "import sys, web.figures; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False, cwd=STREAMS.parent).returncode == 0


@pytest.mark.parametrize("kind", KINDS)
def test_a_figure_in_a_page_has_no_style_of_its_own_and_the_pages_colours(drawn: dict[str, Figure], kind: str) -> None:
    out = drawn[kind].inline()
    assert "style" not in out, "a strict policy would refuse it"
    root = ET.fromstring(out)
    assert root.get("stroke-linejoin") == "round"
    plain = ET.fromstring(drawn[kind].svg)
    assert len(list(root.iter())) == len(list(plain.iter())) - 1, "all but the style sheet is there"
    for name in ("fill", "stroke"):
        values = [e.get(name, "none") for e in root.iter()]
        assert all(v == "none" or v.startswith(("var(--", "url(#")) for v in values), values


def test_a_phones_figures_are_narrow_and_say_the_same(warming: Rerun, drawn: dict[str, Figure]) -> None:
    r = warming.result()
    with figures.narrow():
        small = {
            "sweep": figures.sweep(warming.session.traces[0]),
            "minima": figures.minima(r, sense="grows"),
            "drift": figures.drift(r),
            "budget": figures.budget(r),
            "stock": figures.stock(r),
        }
    for kind, f in small.items():
        assert f is not None
        assert f.alt == drawn[kind].alt
        width = float(ET.fromstring(f.svg).get("viewBox", "").split()[2])
        # 9.5 points of text on a phone of 330 points of room: no smaller than the page's quiet text.
        assert 9.5 * 330 / width > 11.5
    assert figures.minima(r, sense="grows").svg == drawn["minima"].svg, "and the next one is wide again"
