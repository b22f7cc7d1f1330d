"""The whole job with nobody's hand on the page: swung, seated again, told by sound, voice and sight, ended by itself, answered."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

from capture.jobs import JobFolder
from capture.simulator.bench import simulate
from capture.simulator.demo import DEMO
from tests.browser.benches import (
    LISTEN,
    PATIENCE_MS,
    VOICE,
    Program,
    Seen,
    at_the_bench,
    bumped,
    heard,
    in_this_program,
    opened,
    poll,
    read,
)
from tests.fakes.handed import HandedSource

SPEED = 2.2
# The arbor is lifted out and seated again with the indicator running: nothing else says so.
HANDS_FREE = {"seatings": 8, "sweeps": 6, "lifted": True, "faults": {2: "knock", 8: "knock", 14: "knock"}}


def test_from_the_first_sweep_to_the_answer_without_a_touch(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, SPEED, **HANDS_FREE) as (_, swing):
        running = Program(tmp_path, 15 * SPEED)
        try:
            page, seen = opened(browser, running.start(), scripts=LISTEN + VOICE)
            page.locator("#next").filter(has_text=re.compile(r"\w")).wait_for(timeout=PATIENCE_MS)
            # Once, before the work: a browser lets no sound through otherwise.
            page.locator("#sound").click()
            page.locator("#speech").click()
            page.locator("#sound[aria-pressed=true]").wait_for()
            asked = list(seen.posted)
            swing()
            # Before a hand moved it: where that took a while, an indicator that says nothing was asked after.
            read(page, "Swing the arbor slowly", "next")
            bumped(page)
            read(page, "Sweep again with both hands", "next", "no")
            read(page, "one long note, falling – Sweep ")
            read(page, "Lift the arbor out and seat it again, for 2 more", "next")
            read(page, "high and low, twice – Lift the arbor out")
            read(page, "Seating 2: ", "seating")
            read(page, "for one more seating", "next")
            page.locator("#next[data-kind=done]").filter(has_text="Enough: read the answer.").wait_for(
                timeout=PATIENCE_MS
            )
            read(page, "three notes, rising – Enough")
            page.locator("#go-on").wait_for()
            depth, shim = page.locator("#depth").inner_text(), page.locator("#shim").inner_text()
            assert re.fullmatch(r"\d\d\.\d{4} mm ± 0\.\d{4}", depth)
            assert re.fullmatch(r"\d\.\d{5} in ± 0\.\d{5}", page.locator("#depth-other").inner_text())
            assert re.search(r"The pinion stands \d\.\d{3} mm \(\d\.\d{4} in\) too far out; it must go in", shim)
            assert page.locator("#ruling").inner_text().startswith("Outside tolerance: +0.0")
            assert "too far out" in page.locator("#band").text_content()
            assert "No bearing play found" in page.locator("#play").inner_text()
            # Swings that go on are shown and change nothing.
            page.locator("#sweeps tbody tr.late").nth(2).wait_for(timeout=PATIENCE_MS)
            assert page.locator("#depth").inner_text() == depth
            assert page.locator("#shim").inner_text() == shim
            assert page.locator("#next").inner_text() == "Enough: read the answer."
            assert page.locator("#sweeps tbody tr.no").count() >= 1, "the knocked sweep stays in the list"
            assert seen.posted == asked, "nothing was pressed"

            signals = heard(page)
            # An indicator that rested for long before the first swing was asked after.
            while signals[0] == "trouble":
                signals.pop(0)
            for kind in ("accepted", "rejected", "reseat", "done"):
                assert kind in signals, f"{kind} in {signals}"
            assert signals.count("done") == 1
            assert 1 <= signals.count("reseat") <= 2
            # Nine count; those that come at once after a stall of the machine sound once.
            assert signals.count("accepted") >= 5
            said = [x["text"] for x in page.evaluate("window.spoken")]
            assert signals.count("trouble") <= sum("No readings come" in x for x in said), (
                "only of a machine that stood still"
            )
            assert sum(len(re.findall(r"Sweep \d+ counted\.", x)) for x in said) >= 5
            # On a busy machine two sentences may come in one breath.
            refused = r"Sweep \d+ not counted: bumped\. The arbor or the case was bumped\. Sweep again with both hands on the arbor\."
            assert any(re.search(refused, x) for x in said)
            assert any("Lift the arbor out and seat it again, for 2 more seatings." in x for x in said)
            (answer,) = (x for x in said if "Pinion depth" in x)
            assert re.match(
                r"(Sweep \d+ counted\. )*Enough\. Pinion depth \d\d\.\d{4} millimetres give or take 0\.\d{4}\. Outside tolerance: plus 0\.\d{4} millimetres from",
                answer,
            )
            assert "so take out 0." in answer
            assert " in)" not in answer, "the same length in the other unit is for the eye"
            assert sum("The set has ended" in x for x in said) == 1

            for name in ("sweep-figure", "figure-minima", "figure-drift", "figure-budget", "figure-stock"):
                page.locator(f"#{name}").locator("xpath=..").scroll_into_view_if_needed()
                page.locator(f"#{name} svg title").wait_for(state="attached", timeout=PATIENCE_MS)
            assert "seating 3 2.0" in page.locator("#figure-minima desc").text_content()
            # Sweeps that go on move the rows down, also under a hand that is about to press one.
            while page.locator("#sweep-h").inner_text() != "Sweep 1":
                page.locator("#sweeps button.row").last.click()
            page.locator("#sweep-figure desc").filter(has_text="Sweep 1, seating 1").wait_for(
                state="attached", timeout=3 * PATIENCE_MS
            )
            page.locator("#newest").click()
            page.locator("#sweep-figure desc").filter(has_not_text="Sweep 1, ").wait_for(
                state="attached", timeout=PATIENCE_MS
            )
            page.locator("#how summary").click()
            assert page.locator("#budget tr").count() >= 3

            page.keyboard.press("g")
            page.locator("#next").filter(has_text="Seating").or_(
                page.locator("#next").filter(has_text="Lift the arbor out")
            ).wait_for(timeout=PATIENCE_MS)
            page.locator("#sweeps tbody tr.late").wait_for(state="detached", timeout=PATIENCE_MS)
            assert seen.trouble == []
            page.close()
        finally:
            running.end()


def test_sound_is_off_until_asked_for_and_each_signal_can_be_left_out(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 4.0, seatings=12, sweeps=5, faults={}) as (_, swing):
        running = Program(tmp_path, 60)
        try:
            page, seen = opened(browser, running.start(), scripts=LISTEN + VOICE)
            swing()
            page.locator("#sweeps tbody tr.yes").nth(1).wait_for(timeout=PATIENCE_MS)
            assert page.evaluate("window.notes") == [], "no sound before it is asked for"
            assert page.evaluate("window.spoken") == []
            assert page.locator("#heard").inner_text().startswith("Last signal (no sound): Sweep "), (
                "what would have sounded"
            )
            page.locator("#settings summary").click()
            for kind, notes in {"accepted": 2, "rejected": 1, "reseat": 4, "done": 3, "trouble": 5}.items():
                page.evaluate("window.notes = []")
                page.locator(f"[data-hear={kind}]").click()
                poll(page, lambda n=notes: len(page.evaluate("window.notes")) == n, f"{kind} can be tried out")  # type: ignore[misc]
                assert heard(page) == [kind], "and is told from the others by its notes"
            page.evaluate("window.notes = []")
            page.locator("[data-setting='tone.accepted']").uncheck()
            page.locator("[data-setting=volume]").fill("20")
            page.locator("[data-setting=sound]").check()
            # Before speech is switched on: nothing may be said at another rate.
            page.locator("[data-setting=rate]").fill("1.3")
            page.locator("[data-setting=speech]").check()
            page.locator("#new-set").click()
            page.locator("#sweeps tbody tr.yes").nth(2).wait_for(timeout=PATIENCE_MS)
            page.locator("#next").filter(has_text="Lift the arbor out").wait_for(timeout=PATIENCE_MS)
            poll(page, lambda: "reseat" in heard(page), "the others still sound")
            assert "accepted" not in heard(page)
            page.evaluate("window.levels = []")
            page.locator("[data-hear=done]").click()
            poll(page, lambda: len(page.evaluate("window.levels")) >= 6, "levels")
            assert max(page.evaluate("window.levels")) == 0.1, "a fifth of the loudest"
            poll(page, lambda: bool(page.evaluate("window.spoken")), "said")
            spoken = page.evaluate("window.spoken")
            assert {(round(x["rate"], 3), round(x["volume"], 3), x["lang"]) for x in spoken} == {(1.3, 0.2, "en")}
            page.keyboard.press("s")
            page.locator("#sound[aria-pressed=false]").wait_for()
            page.wait_for_timeout(700)
            quiet = len(page.evaluate("window.notes"))
            page.keyboard.press("n")
            page.locator("#sweeps tbody tr.yes").nth(2).wait_for(timeout=PATIENCE_MS)
            assert len(page.evaluate("window.notes")) == quiet, "none once it is switched off"
            assert seen.trouble == []
            page.close()
        finally:
            running.end()


def test_trouble_sounds_when_the_indicator_is_gone_and_not_when_the_work_is_done(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 4.0, seatings=1, sweeps=200, faults={}) as (bench, swing):
        running = Program(tmp_path, 60)
        try:
            page, _ = opened(browser, running.start(), scripts=LISTEN + VOICE)
            page.locator("#sound").click()
            page.locator("#speech").click()
            swing()
            page.locator("#sweeps tbody tr.yes").first.wait_for(timeout=PATIENCE_MS)
            bench.unplug()
            read(page, "five short notes – The indicator is not connected")
            assert "trouble" in heard(page)

            def gone() -> int:
                return sum("The indicator is not connected" in x["text"] for x in page.evaluate("window.spoken"))

            poll(page, lambda: gone() > 0, "and said")
            assert gone() == 1, "once"
            # The sweep it broke off is in the list by then, and has not talked over it.
            assert "five short notes – The indicator is not connected" in page.locator("#heard").inner_text()
            page.close()
        finally:
            running.end()


def test_one_loss_of_the_link_sounds_once(browser: Any, tmp_path: Path) -> None:
    """The page's clock stands, and goes on only as it is told to."""
    source = HandedSource()
    jobs = JobFolder(tmp_path / "jobs")
    with in_this_program(source, folder=tmp_path / "streams", jobs=jobs, rate=DEMO.rate) as (base, station):
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.clock.install(time=0)
        page.add_init_script(LISTEN + VOICE)
        seen = Seen(page, f"{base.rstrip('/')}/")
        page.goto(base)
        page.clock.pause_at(60)
        page.locator("#sound").click()
        page.locator("#sound[aria-pressed=true]").wait_for()
        page.locator("#speech").click()

        def sounded() -> int:
            return heard(page).count("trouble")

        def told(state: str, kind: str) -> None:
            station.link(station.now(), state, "invented")
            page.locator(f"#link[data-kind={kind}]").wait_for(timeout=PATIENCE_MS)

        events, _ = simulate(replace(DEMO, seatings=1, sweeps=1, faults={}), 3)
        source.hand([(e.t, e.data) for e in events if e.kind == "data"][:20])
        poll(page, lambda: page.clock.run_for(20) or page.locator("#number").inner_text() != "–", "a reading")
        poll(page, lambda: source.empty, "all readings are taken")
        told("lost", "off")
        assert sounded() == 1
        page.clock.run_for(20_000)
        assert sounded() == 1
        # The last reading is long ago then, and the next has not come yet.
        told("back", "on")
        page.clock.run_for(1000)
        page.locator("#link[data-kind=late]").wait_for(timeout=PATIENCE_MS)
        assert sounded() == 1, "a link that is back is given the time to say something"
        page.clock.run_for(4000)
        assert sounded() == 2, "and a silence after that is told"
        station.link(station.now(), "stale", "invented")
        told("lost", "off")
        page.clock.run_for(4000)
        assert sounded() == 2, "a silence that turns out to be a lost link is one trouble"
        read(page, "five short notes – The indicator is not connected")
        assert sum("The indicator is not connected" in x["text"] for x in page.evaluate("window.spoken")) == 2
        assert seen.trouble == []
        page.close()


def test_bearing_play_is_heard_and_said_as_soon_as_it_is_found(browser: Any, tmp_path: Path) -> None:
    with at_the_bench(tmp_path, 3.0, seatings=1, sweeps=60, faults={}, play=0.04) as (_, swing):
        running = Program(tmp_path, 45)
        try:
            page, seen = opened(browser, running.start(), scripts=LISTEN + VOICE)
            page.locator("#sound").click()
            page.locator("#speech").click()
            swing()
            page.locator("#play[data-kind=present]").wait_for(timeout=PATIENCE_MS)
            said = page.locator("#play").inner_text()
            poll(page, lambda: "trouble" in heard(page), "heard")
            read(page, "five short notes")
            poll(
                page,
                lambda: any("play" in x["text"] for x in page.evaluate("window.spoken")),
                f"said: {said}",
            )
            assert not page.locator("#ruling").inner_text().startswith("Within")
            assert heard(page).count("trouble") == 1
            assert seen.trouble == []
            page.close()
        finally:
            running.end()
