"""The live page on terminals of any size: no row too long, the newest news and what matters most are on it."""

from __future__ import annotations

import os
from functools import partial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from sidekeep.cli.terminal.screen import Page, Screenful, bar_lines, level_text, rows_of
from sidekeep.cli.texts.gauge import gauge_page, reading_object
from sidekeep.cli.texts.take import KEYS_LINE, Teller, status_lines
from sidekeep.flow.needle.gauge import Gauge, GaugeReading, forecast_peak
from sidekeep.service.recording.take_types import TakeStatus

RATE_HZ = 8_000
words = st.lists(st.text("abc defgh レコード針", max_size=90), max_size=12)


def reading(audio: np.ndarray) -> GaugeReading:
    gauge = Gauge(rate_hz=RATE_HZ, channels=2)
    gauge.process(audio)
    return gauge.reading()


@pytest.fixture(scope="module")
def music() -> GaugeReading:
    return reading(np.random.default_rng(1).standard_normal((RATE_HZ * 12, 2)) * 0.2)


@given(words, words, words, st.integers(1, 60), st.integers(1, 40))
@settings(max_examples=200, deadline=None)
def test_rows_fit_the_terminal_and_the_newest_news_is_shown(
    head: list[str], news: list[str], foot: list[str], width: int, height: int
) -> None:
    news = [*news, "z"]
    rows = rows_of(Screenful(head, news, foot), width, height)
    assert len(rows) <= height
    # One letter is a row at least, also where it is wider than the terminal.
    assert all(cell_len(row) <= max(width, 2) for row in rows)
    if height >= 4:
        assert "z" in rows


def test_the_page_of_a_recording_at_forty_columns(music: GaugeReading) -> None:
    status = TakeStatus(
        phase="recording", side="A", take="takes/A-1", elapsed_frames=RATE_HZ * 754, safe_frames=RATE_HZ * 752,
        rate_hz=RATE_HZ, reading=music, input_open=True,
    )  # fmt: skip
    lines = [f"number {n}: something that is longer than one row of forty columns" for n in range(12)]
    shown = drawn(lambda width: Screenful(status_lines(status, width), lines, [KEYS_LINE]), 40, 20)
    assert shown[0] == "side A  recording  12:34"
    assert shown[1] == "on the disk: 12:32 (takes/A-1)"
    bars = [row for row in shown if row[:2] in ("L ", "R ")]
    assert len(bars) == 2
    assert all(row.endswith("dBFS") for row in bars)
    assert any(row.startswith("number 11") for row in shown)
    assert shown[-1].endswith("stop")


def test_the_take_that_is_seen_is_the_one_that_was_drawn() -> None:
    teller = Teller()
    assert teller.shown_take is None
    teller._show = lambda page: None
    teller.tell(TakeStatus(phase="recording", side="A", take="takes/A-1", rate_hz=RATE_HZ))
    teller.draw()
    teller.tell(TakeStatus(phase="flip", side="B", rate_hz=RATE_HZ))
    assert teller.shown_take == "takes/A-1"
    teller.draw()
    assert teller.shown_take == ""


def test_names_in_wide_letters_are_folded_by_columns() -> None:
    """Widths: Unicode Standard Annex 11, East Asian Width: katakana and Han letters are wide, two columns each."""
    name = "listening to レコードプレーヤー用インターフェース 二番 and more"
    rows = drawn(lambda width: Screenful([name]), 40, 6, strip=False)
    assert {cell_len(row) for row in rows} == {40}
    assert "".join("".join(rows).split()) == "".join(name.split())


def test_a_page_is_drawn_anew_at_every_size(music: GaugeReading) -> None:
    """After a resize every row is as wide as the terminal: nothing old is left beside or below."""
    show = partial(gauge_page, music, ("an input with a name that is too long for one row", 96_000, 24), ())
    for width, height in ((100, 24), (40, 24), (20, 12), (60, 24)):
        rows = drawn(show, width, height, strip=False)
        assert len(rows) <= height
        assert {len(row) for row in rows} == {width}


def drawn(show: object, width: int, height: int, *, strip: bool = True) -> list[str]:
    with open(os.devnull, "w") as nowhere:
        console = Console(width=width, height=height, force_terminal=True, file=nowhere, record=True)
        console.print(Page(show), end="")  # type: ignore[arg-type]
    rows = console.export_text().splitlines()
    return [row.rstrip() for row in rows] if strip else rows


def test_nothing_at_all_is_silence_and_not_a_number() -> None:
    silent = reading(np.zeros((RATE_HZ * 5, 2)))
    page = gauge_page(silent, ("x", RATE_HZ, 24), (), 80)
    text = " ".join([*page.head, *page.news])
    assert "silence" in text
    assert "-2" not in text
    assert "inf" not in text
    assert level_text(-151.0) == "silence"
    assert [line.count("silence") for line in bar_lines((-400.0, -400.0), (-400.0, -400.0), 40)] == [1, 1]
    assert not any(isinstance(value, float) and np.isnan(value) for value in reading_object(silent).values())


def test_a_forecast_stays_within_what_is_possible() -> None:
    # One wild block among quiet ones once made 74 dBFS of this.
    for peaks in ([1e-4, 0.9, 1e-4, 0.8], [0.99] * 5, [0.5, 0.9, 0.7, 0.2, 0.9]):
        level, _ = forecast_peak(peaks, 1320.0)
        assert max(20.0 * np.log10(max(peaks)), -60.0) - 1e-9 <= level <= 0.0
