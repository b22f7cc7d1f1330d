"""Bytes nobody sends: a short run of tests/long/fuzz.py, what it once found, and inputs drawn at random."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.decoders import TextLine
from capture.errors import StreamFormatError
from tests.long import fuzz

FINDS = sorted(fuzz.FOUND.glob("*-*")) if fuzz.FOUND.is_dir() else []


@pytest.mark.parametrize("name", fuzz.TARGETS)
def test_two_seconds_of_fuzzing_find_nothing(name: str) -> None:
    seed = int.from_bytes(os.urandom(4))
    runs, grown = 0, False
    seconds = 2.0
    # A busy machine gets through little in two seconds, hardly through what it begins with: then twice as long.
    while runs <= 50 or not grown:
        assert seconds <= 128.0, f"{runs} runs, something new was reached: {grown}"
        out = fuzz.fuzz(name, seconds, seed)
        assert out.finds == {}, f"seed {seed}; keep it: python -m tests.long.fuzz --only {name} --seed {seed}"
        runs += out.runs
        grown = grown or out.corpus > len(fuzz.seeds(name))
        seed, seconds = (seed + 1) % 2**32, 2 * seconds


def test_what_was_found_once_is_mended() -> None:
    for path in FINDS:
        name = next(n for n in fuzz.TARGETS if path.name.startswith(n))
        fuzz.play(name, path.read_bytes())


@pytest.mark.parametrize("name", fuzz.TARGETS)
@settings(max_examples=60)
@given(st.data())
def test_seeds_cut_and_joined_at_random_do_no_harm(name: str, data: st.DataObject) -> None:
    corpus = fuzz.seeds(name)
    parts = data.draw(
        st.lists(st.one_of(st.binary(max_size=30), st.sampled_from(corpus).map(lambda b: b[:300])), max_size=5)
    )
    whole = b"".join(parts)
    a, b = sorted(data.draw(st.tuples(st.integers(0, len(whole)), st.integers(0, len(whole)))))
    fuzz.play(name, whole[:a] + whole[b:])


@pytest.mark.parametrize("name", ["text-line", "stream", "setup-file", "profile-file"])
def test_the_fuzzer_finds_a_planted_fault(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if name == "text-line":
        real = TextLine.feed

        def feed(self: TextLine, data: bytes) -> object:
            if b",," in data:
                raise IndexError("planted")
            return real(self, data)

        monkeypatch.setattr(TextLine, "feed", feed)
    else:
        target = {"stream": "read_records", "setup-file": "load_setup", "profile-file": "load_profile"}[name]
        real_load = getattr(fuzz, target)

        def load(x: object, *more: object) -> object:
            out = real_load(x, *more)
            text = x.read_bytes() if isinstance(x, Path) else repr(x).encode()
            if len(text) % 7 == 3:
                raise IndexError("planted")
            return out

        monkeypatch.setattr(fuzz, target, load)
    out = fuzz.fuzz(name, 300.0, 1, until_find=True)
    assert any("planted" in what for what in out.finds)


def test_an_input_that_takes_too_long_is_a_find(monkeypatch: pytest.MonkeyPatch) -> None:
    def slow(data: bytes) -> None:
        while data:
            pass

    monkeypatch.setitem(fuzz.TARGETS, "stream", slow)
    monkeypatch.setattr(fuzz, "SLOW_S", 0.2)
    with pytest.raises(fuzz.TooSlowError):
        fuzz.play("stream", b"x")
    assert not issubclass(fuzz.TooSlowError, StreamFormatError)
