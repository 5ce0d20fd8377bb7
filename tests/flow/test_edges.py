"""Edges: tracks tile the side, fades lie over groove noise only."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sidekeep.flow.passes.edges import render_spans
from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.recipe import EdgeSettings

RATE = 48000


def side(starts: list[int], stops: list[int], down: int = 0, up: int = 100 * RATE) -> SideCuts:
    tracks = tuple(
        Track(number=n, title="", start_frame=a, stop_frame=b)
        for n, (a, b) in enumerate(zip(starts, stops, strict=True), start=1)
    )
    return SideCuts(
        side="A",
        needle_down_frame=down,
        needle_up_frame=up,
        music_start_frame=starts[0],
        music_stop_frame=stops[-1],
        tracks=tracks,
    )


@given(
    places=st.lists(st.integers(3 * RATE, 90 * RATE), min_size=2, max_size=10, unique=True),
    lead_in=st.sampled_from(["cut", "needle", "groove"]),
    fade_in_s=st.floats(0, 10),
    fade_out_s=st.floats(0, 10),
)
def test_tracks_tile_the_side_and_fades_stay_off_the_music(
    places: list[int], lead_in: str, fade_in_s: float, fade_out_s: float
) -> None:
    ordered = sorted(places)[: len(places) // 2 * 2]
    cuts = side(ordered[::2], ordered[1::2], down=2 * RATE, up=95 * RATE)
    settings = EdgeSettings(lead_in=lead_in, fade_in_s=fade_in_s, fade_out_s=fade_out_s)  # type: ignore[arg-type]
    spans = render_spans(cuts, settings, rate_hz=RATE, length_frames=97 * RATE)
    for before, after in zip(spans, spans[1:], strict=False):
        assert before.stop_frame == after.start_frame
    first, last = spans[0], spans[-1]
    assert cuts.needle_down_frame <= first.start_frame <= cuts.music_start_frame
    assert first.start_frame + first.fade_in_frames <= cuts.music_start_frame
    assert last.stop_frame - last.fade_out_frames >= cuts.music_stop_frame
    assert cuts.music_stop_frame <= last.stop_frame <= cuts.needle_up_frame
    assert all(span.fade_in_frames == 0 for span in spans[1:])
    assert all(span.fade_out_frames == 0 for span in spans[:-1])


def test_choices_of_lead_in() -> None:
    cuts = side([10 * RATE], [80 * RATE], down=5 * RATE, up=90 * RATE)
    starts = {
        choice: render_spans(cuts, EdgeSettings(lead_in=choice), rate_hz=RATE, length_frames=97 * RATE)[
            0
        ].start_frame  # type: ignore[arg-type]
        for choice in ("cut", "needle", "groove")
    }
    assert starts == {"cut": 10 * RATE - RATE // 20, "needle": 5 * RATE, "groove": 9 * RATE}


def test_run_out_is_removed_and_the_thump_of_lifting_stays_out() -> None:
    cuts = side([10 * RATE], [80 * RATE], up=80 * RATE + RATE // 2)
    (span,) = render_spans(cuts, EdgeSettings(fade_out_s=5.0), rate_hz=RATE, length_frames=97 * RATE)
    assert 80 * RATE < span.stop_frame < 80 * RATE + RATE // 2
    (long,) = render_spans(
        side([10 * RATE], [80 * RATE]), EdgeSettings(), rate_hz=RATE, length_frames=100 * RATE
    )
    assert long.stop_frame == 81 * RATE
    assert long.fade_out_frames == RATE


def test_a_take_that_starts_in_the_music_has_no_fade() -> None:
    cuts = side([0], [50 * RATE], down=0, up=50 * RATE)
    (span,) = render_spans(cuts, EdgeSettings(lead_in="groove"), rate_hz=RATE, length_frames=50 * RATE)
    assert (span.start_frame, span.stop_frame, span.fade_in_frames, span.fade_out_frames) == (
        0,
        50 * RATE,
        0,
        0,
    )


def test_no_tracks_no_spans() -> None:
    empty = SideCuts(
        side="A", needle_down_frame=0, needle_up_frame=9, music_start_frame=0, music_stop_frame=0
    )
    assert render_spans(empty, EdgeSettings(), rate_hz=RATE, length_frames=9) == ()
