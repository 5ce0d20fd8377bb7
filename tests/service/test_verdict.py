"""What an evening says of a side that is over: how much of it there is, and what it asks before it ends."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.devices.recorder import RecorderSettings
from sidekeep.model.news import News
from sidekeep.service.recording.open_take import ClosedPiece, OpenTake
from sidekeep.service.recording.side_fit import PrintedSide, shortest_side_s
from sidekeep.service.recording.verdict import doubt_of

RATE_HZ = 48_000


def closed(
    *, up_s: float, heard_s: float = 400.0, music_s: float = 150.0, reason: str = "lift"
) -> ClosedPiece:
    """A take from 10 s on whose needle came down at 14 s; up at ``up_s``, or still down."""
    take = OpenTake(
        side="A",
        path=Path("A-1") / "take.wav",
        settings=RecorderSettings(rate_hz=RATE_HZ),
        start_frame=10 * RATE_HZ,
        needle_frame=14 * RATE_HZ,
        up_frame=round(up_s * RATE_HZ) if up_s >= 0.0 else -1,
        end_reason=reason,
    )
    return ClosedPiece.of(take, 0, round(heard_s * RATE_HZ), music_s)


def test_a_side_lasts_from_the_needle_down_to_up_or_to_what_was_heard_last() -> None:
    assert closed(up_s=200.0).length_s == 186.0
    assert closed(up_s=-1.0, heard_s=100.0).length_s == 86.0
    # no more music than lies between the take's beginning and the needle's rise
    assert closed(up_s=200.0).music_s == 150.0
    assert closed(up_s=60.0).music_s == 50.0


@pytest.mark.parametrize(
    ("codes", "reason", "music_s", "doubt"),
    [
        ((), "lift", 150.0, ""),
        (("peak", "looks-like"), "lift", 150.0, "side"),
        (("peak",), "lift", 150.0, ""),
        ((), "run-out", 150.0, "run-out"),
        ((), "run-out", 185.0, ""),
    ],
)
def test_an_evening_does_not_end_on_a_side_in_doubt(
    codes: tuple[str, ...], reason: str, music_s: float, doubt: str
) -> None:
    """Perhaps another side; or a run-out before nine tenths of the printed time are over."""
    piece = closed(up_s=250.0, music_s=music_s, reason=reason)
    news = [News(code=code, severity="look") for code in codes]
    assert doubt_of(piece, news, PrintedSide(side="A", length_s=200.0, tracks=3)) == doubt


def test_a_false_start_is_shorter_than_half_of_what_is_printed() -> None:
    printed = {"A": PrintedSide(side="A", length_s=1200.0, tracks=5)}
    assert shortest_side_s("A", printed, without_print_s=45.0) == 600.0
    assert shortest_side_s("B", printed, without_print_s=45.0) == 45.0
