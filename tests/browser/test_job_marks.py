"""The marks reader on the page: the sentence a mark implies, and the sketch that points the same way.

Forms of marks and the rule for the shim: service texts of cars, heavy vehicles and small engines; the figures are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser.benches import Seen
from tests.browser.job_pages import PATIENCE_MS, as_writer, shop, written

KNOWN = {"effect_basis": "bench"}
ADDS = "the pinion stands further OUT"
SUBTRACTS = "the pinion stands further IN"


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with shop(tmp_path_factory.mktemp("shop")) as found:
        for job, effect in (("out", "+1"), ("in", "-1"), ("open", "unknown")):
            basis = {} if effect == "unknown" else KNOWN
            written(found, job, [("intake", {"unit": "invented"}), ("family", {"shim_effect": effect, **basis})])
        yield found


@pytest.fixture(scope="module")
def page(browser: Any, address: str) -> Iterator[Any]:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    as_writer(page)
    seen = Seen(page, address)
    yield page
    assert seen.trouble == []
    page.close()


def typed(page: Any, address: str, job: str, choices: dict[str, str], **texts: str) -> Any:
    """The panel beside a mark that is being typed."""
    page.goto(f"{address}jobs")
    page.goto(f"{address}jobs/{job}#marks")
    form = page.locator('[data-form="gearset"]')
    form.wait_for(timeout=PATIENCE_MS)
    form.get_by_role("button", name="Empty this form").click()
    for name, words in choices.items():
        form.locator(f'[data-path="{name}"] label').filter(has_text=words).first.click()
    for name, text in texts.items():
        form.locator(f'[data-path="{name}"] input').fill(text)
    return page.locator('[data-panel="mark"]')


def points(page: Any, arrow: str) -> str:
    """Which way an arrow of the sketch really points: away from the axis on the left, or toward it."""
    x1, x2 = (float(page.locator(f".sketch .{arrow} line").get_attribute(k)) for k in ("x1", "x2"))
    return "out" if x2 > x1 else "in"


@pytest.mark.parametrize(
    ("job", "sense", "mark", "stands", "plus", "thicker", "shim"),
    [
        ("out", ADDS, "+14", "OUT", "out", "out", "MORE"),
        ("in", ADDS, "+14", "OUT", "out", "in", "LESS"),
        ("out", SUBTRACTS, "+14", "IN", "in", "out", "LESS"),
        ("in", SUBTRACTS, "-8", "OUT", "in", "in", "MORE"),
    ],
)
def test_a_count_with_a_sign(
    page: Any, address: str, job: str, sense: str, mark: str, stands: str, plus: str, thicker: str, shim: str
) -> None:
    panel = typed(
        page,
        address,
        job,
        {"form": "a count with a sign", "sense": sense},
        mark=mark,
        nominal="61.50 mm",
        count="0.01 mm",
    )
    panel.locator("p").filter(has_text=f"takes {shim} shim").wait_for(timeout=PATIENCE_MS)
    # Each field that is filled is asked about by itself, so the panel says other things on the way.
    panel.filter(has_text=f"further {stands},").wait_for(timeout=PATIENCE_MS)
    assert points(page, "mark-arrow") == plus
    assert points(page, "shim-arrow") == thicker
    target = {"OUT": 61.50 + abs(int(mark)) / 100, "IN": 61.50 - abs(int(mark)) / 100}[stands]
    assert f"{target:.2f} mm" in panel.locator("svg").text_content()


def test_the_unit_of_a_count_is_asked_for(page: Any, address: str) -> None:
    panel = typed(page, address, "out", {"form": "a count with a sign"}, mark="-3", nominal="2.5000 in")
    said = panel.locator("p").filter(has_text="What one count is worth is not stated")
    said.filter(has_text="0.03 mm in 0.01 mm, 0.003 mm in 0.001 mm, 0.0762 mm in 0.001 in").wait_for(
        timeout=PATIENCE_MS
    )
    assert page.locator(".sketch .mark-arrow").count() == 0


def test_two_marks_of_which_one_is_used(page: Any, address: str) -> None:
    panel = typed(
        page,
        address,
        "out",
        {"form": "a count with a sign", "sense": ADDS},
        mark="m+8 (+3)",
        nominal="61.50 mm",
        count="0.01 mm",
    )
    panel.locator("p").filter(has_text="was rounded for itself and is not used").wait_for(timeout=PATIENCE_MS)
    panel.filter(has_text="61.58 mm").wait_for(timeout=PATIENCE_MS)


def test_an_absurd_mark_warns(page: Any, address: str) -> None:
    panel = typed(
        page,
        address,
        "out",
        {"form": "a count with a sign", "sense": ADDS},
        mark="+20",
        nominal="61.50 mm",
        count="0.01 mm",
    )
    panel.locator(".cure").filter(has_text="more than marks usually are").wait_for(timeout=PATIENCE_MS)


def test_two_decimals(page: Any, address: str) -> None:
    panel = typed(page, address, "out", {"form": "the last two decimals"}, mark="98", nominal="73.00 mm")
    panel.locator("p").filter(has_text="72.98 mm").wait_for(timeout=PATIENCE_MS)


def test_a_whole_distance_to_the_back_face(page: Any, address: str) -> None:
    whole = {"form": "a whole distance", "mark_unit": "mm", "face": "back face"}
    panel = typed(page, address, "in", whole, mark="97.46")
    panel.locator("p").filter(has_text="measure the head's height").wait_for(timeout=PATIENCE_MS)
    heights = page.locator('[data-form="gearset"] [data-path="head_heights"]')
    heights.locator("select").select_option("mm")
    for n, spot in enumerate(("38.011", "38.014", "38.008")):
        heights.locator(".figures input").nth(n).fill(spot)
    panel.locator("p").filter(has_text="= 59.449 mm").wait_for(timeout=PATIENCE_MS)
    panel.locator("p").filter(has_text="mean of 3 spots that differ by 0.006 mm").wait_for(timeout=PATIENCE_MS)
    heights.locator(".figures input").nth(2).fill("38.030")
    panel.locator("p").filter(has_text="Look again: the head heights differ by 0.019 mm").wait_for(timeout=PATIENCE_MS)


def test_no_mark_is_not_zero(page: Any, address: str) -> None:
    panel = typed(page, address, "out", {"no_mark": "yes"})
    panel.locator("p").filter(has_text="No mark is not 0").wait_for(timeout=PATIENCE_MS)
    assert page.locator('[data-form="gearset"] [data-path="mark"]').is_hidden()
    assert page.locator('[data-form="gearset"] [data-path="reason"]').is_visible()


def test_an_unknown_shim_promises_nothing(page: Any, address: str) -> None:
    panel = typed(
        page,
        address,
        "open",
        {"form": "a count with a sign", "sense": ADDS},
        mark="+14",
        nominal="61.50 mm",
        count="0.01 mm",
    )
    panel.locator("p").filter(has_text="does not say more or less shim").wait_for(timeout=PATIENCE_MS)
    assert page.locator(".sketch .shim-arrow").count() == 0
    assert "what a thicker shim does is open" in str(panel.locator("svg").get_attribute("aria-label"))


def test_a_mark_that_cannot_be_read_says_so_at_once(page: Any, address: str) -> None:
    panel = typed(page, address, "out", {"form": "a count with a sign", "sense": ADDS}, mark="x4", count="0.01 mm")
    panel.locator(".cure").filter(has_text="write it as it stands").wait_for(timeout=PATIENCE_MS)
