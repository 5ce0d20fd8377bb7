"""Finding sides and tracks on sides made on the spot, and on one from the press."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sidekeep.dsp.tracks.division import divide
from sidekeep.flow.tracks.cut import find_cuts
from sidekeep.flow.tracks.side_features import Features
from sidekeep.flow.tracks.title_findings import title_findings
from sidekeep.flow.tracks.titles import TITLE_SURE, lines_of
from sidekeep.model.cuts import Cuts
from sidekeep.wording.findings import finding_text
from tests.flow.made_sides import RATE, MadeSide, features_of, make_side, sleeve, tune

LENGTHS = (31.0, 26.0, 34.0)
EARLY_S, LATE_S = 0.3, 0.05


@cache
def plain(noise_dbfs: float = -58.0) -> tuple[MadeSide, Features]:
    pieces = [tune(seed, length) for seed, length in enumerate(LENGTHS, start=1)]
    side = make_side(
        pieces, gaps_s=[1.1, 3.0], noise_dbfs=noise_dbfs, idle_dbfs=min(-85.0, noise_dbfs - 20.0)
    )
    return side, features_of(side.audio)


def starts_s(cuts: Cuts, index: int = 0) -> list[float]:
    return [track.start_frame / cuts.rate_hz for track in cuts.sides[index].tracks]


def assert_starts(cuts: Cuts, wanted: tuple[float, ...], index: int = 0) -> None:
    found = starts_s(cuts, index)
    assert len(found) == len(wanted), found
    for mark, start in zip(found, wanted, strict=True):
        assert -EARLY_S <= mark - start <= LATE_S, (found, wanted)


@pytest.mark.parametrize("noise_dbfs", [-75.0, -58.0, -42.0])
@pytest.mark.parametrize("with_sleeve", [True, False])
def test_gaps_at_any_noise_level(noise_dbfs: float, with_sleeve: bool) -> None:
    side, features = plain(noise_dbfs)
    cuts, findings = find_cuts(features, sides=[sleeve(LENGTHS)] if with_sleeve else None)
    (found,) = cuts.sides
    assert found.needle_down_frame / RATE == pytest.approx(side.down_s, abs=0.1)
    assert found.needle_up_frame / RATE == pytest.approx(side.up_s, abs=0.4)
    assert_starts(cuts, side.starts_s)
    for track, stop_s in zip(found.tracks, side.stops_s, strict=True):
        assert -1.0 <= track.stop_frame / RATE - stop_s <= 0.3
    assert [track.boundary for track in found.tracks] == ["edge", "gap", "gap"]
    assert [track.title for track in found.tracks] == (["A1", "A2", "A3"] if with_sleeve else ["", "", ""])
    if with_sleeve:
        assert not [finding for finding in findings if finding.severity != "note"]
    assert found.music_start_frame == found.tracks[0].start_frame
    assert found.music_stop_frame == found.tracks[-1].stop_frame


@pytest.mark.parametrize("lost_s", [0.05, 0.3, 0.5, 0.9])
def test_sound_that_a_computer_lost_neither_ends_a_side_nor_hides_a_gap(lost_s: float) -> None:
    """A recorder that fills in zeros for what it lost; nobody lifts and lowers a needle in less than a second."""
    side, _ = plain()
    audio = side.audio.copy()
    for at_s in (20.0, 47.0):
        first = round(at_s * RATE)
        audio[first : first + round(lost_s * RATE)] = 0.0
    cuts, _ = find_cuts(features_of(audio), sides=[sleeve(LENGTHS)])
    (found,) = cuts.sides
    assert found.needle_down_frame / RATE == pytest.approx(side.down_s, abs=0.1)
    assert found.needle_up_frame / RATE == pytest.approx(side.up_s, abs=0.4)
    assert_starts(cuts, side.starts_s)
    assert [track.title for track in found.tracks] == ["A1", "A2", "A3"]


def test_a_wrong_printed_time_moves_no_mark_and_is_reported() -> None:
    side, features = plain()
    cuts, findings = find_cuts(features, sides=[sleeve((LENGTHS[0], LENGTHS[1] + 10, LENGTHS[2]))])
    assert_starts(cuts, side.starts_s)
    assert [f.severity for f in findings if f.kind == "printed-time"] == ["note"]


def test_a_printed_time_that_is_far_off_is_to_be_looked_at() -> None:
    """The line may be another track's."""
    _, features = plain()
    _, findings = find_cuts(features, sides=[sleeve((LENGTHS[0], LENGTHS[1] + 26, LENGTHS[2]))])
    assert [f.severity for f in findings if f.kind == "printed-time"] == ["look"]


def test_a_needle_that_was_lifted_again_soon_is_no_track_of_the_side() -> None:
    side, _ = plain()
    lifted = round((side.starts_s[0] + 4.0) * RATE)
    idle = np.random.default_rng(3).normal(0.0, 10 ** (-85 / 20), (5 * RATE, 2))
    short = np.concatenate([side.audio[:lifted], idle])
    cuts, findings = find_cuts(features_of(short), sides=[sleeve((31.0, 40.0, 14.0))])
    assert [track.title for track in cuts.sides[0].tracks] == [""]
    assert "untitled-track" in {finding.kind for finding in findings}


def test_times_from_a_faster_player() -> None:
    side, features = plain()
    cuts, findings = find_cuts(features, sides=[sleeve([length * 1.02 for length in LENGTHS])])
    assert_starts(cuts, side.starts_s)
    assert "printed-time" not in {finding.kind for finding in findings}


def test_without_times_a_title_too_many_leaves_the_titles_open() -> None:
    side, features = plain()
    cuts, findings = find_cuts(features, sides=[sleeve((None,) * 4)])
    assert_starts(cuts, side.starts_s)
    assert [track.title for track in cuts.sides[0].tracks] == ["", "", ""]
    (told,) = [finding for finding in findings if finding.severity == "act"]
    assert told.kind == "untitled-track"
    assert "'Side A, track 1'" in finding_text(told, 1_000)


def test_missing_times() -> None:
    side, features = plain()
    for times in ((None, None, None), (LENGTHS[0], None, None)):
        cuts, _ = find_cuts(features, sides=[sleeve(times)])
        assert_starts(cuts, side.starts_s)
        assert [track.title for track in cuts.sides[0].tracks] == ["A1", "A2", "A3"]


@pytest.mark.parametrize(
    ("times", "by_order"),
    [
        ((None, None, None), [("1", "2", "3")]),
        ((LENGTHS[0], None, None), [("2", "3")]),
        ((LENGTHS[0], LENGTHS[1], None), []),  # the only one without a time is what is left
        (LENGTHS, []),
    ],
)
def test_titles_that_only_the_order_of_the_sleeve_gives_are_told(
    times: tuple[float | None, ...], by_order: list[tuple[str, ...]]
) -> None:
    _, features = plain()
    cuts, findings = find_cuts(features, sides=[sleeve(times)])
    assert [track.title for track in cuts.sides[0].tracks] == ["A1", "A2", "A3"]
    told = [finding for finding in findings if finding.kind == "titles-by-order"]
    assert [finding.facts["tracks"] for finding in told] == by_order
    assert all(finding.severity == "note" for finding in told)
    own = replace(cuts.sides[0], tracks=tuple(replace(t, edited=True) for t in cuts.sides[0].tracks))
    assert title_findings(replace(cuts, sides=(own,)), [sleeve(times)]) == []


def test_two_sides_in_one_play_are_told_though_the_times_fit() -> None:
    """A sleeve that lacks the first line of side B, and lists a song as long on side A."""
    side, features = plain()
    cuts, findings = find_cuts(features, sides=[sleeve(LENGTHS[:1]), sleeve(LENGTHS[1:], "B")])
    assert [found.side for found in cuts.sides] == ["A", "B"]
    (told,) = [finding for finding in findings if finding.kind == "sides-unbroken"]
    assert told.severity == "look"
    assert told.facts["sides"] == ("A", "B")
    assert told.start_frame / RATE == pytest.approx(side.starts_s[1], abs=EARLY_S)


def test_a_sleeve_with_too_few_or_too_many_tracks_says_so() -> None:
    side, features = plain()
    cuts, findings = find_cuts(features, sides=[sleeve((LENGTHS[0], LENGTHS[1]))])
    assert_starts(cuts, side.starts_s)
    assert [track.title for track in cuts.sides[0].tracks] == ["A1", "A2", ""]
    assert [f.kind for f in findings if f.severity == "act"] == ["untitled-track"]
    cuts, findings = find_cuts(features, sides=[sleeve((LENGTHS[0], LENGTHS[2]))])
    # 26 s with a gap of 3 s might as well be the printed 31 s: the first title is left open, none is wrong.
    assert [track.title for track in cuts.sides[0].tracks] == ["", "", "A2"]
    cuts, findings = find_cuts(features, sides=[sleeve((LENGTHS[0], 200, LENGTHS[1], LENGTHS[2]))])
    assert_starts(cuts, side.starts_s)
    assert [track.title for track in cuts.sides[0].tracks] == ["A1", "A3", "A4"]
    assert "track-count" in {finding.kind for finding in findings}


@pytest.mark.parametrize("bonus_s", [27.0, 29.0, 33.0])
@pytest.mark.parametrize("change", [-2.0, 0.0, 1.0])
def test_a_line_that_is_not_on_the_side_takes_no_part_of_the_last_track(
    bonus_s: float, change: float
) -> None:
    """A list with a track more than was pressed: a change inside the last track 6.8 s after its beginning, from which the rest
    is as long as the line too many, makes no title of it."""
    division = divide(
        [0.0, 38.0, 77.5, 86.8, 113.0],
        [0.0, 40.0, 80.0, 86.8, 113.0],
        [0.0, 4.0, 4.0, change, 0.0],
        [38.0, 37.0, 33.0, bonus_s],
    )
    lines = lines_of(division)
    named = {line for line, sure in zip(lines.index, lines.sure, strict=True) if sure >= TITLE_SURE}
    assert named <= {0, 1}


def test_one_time_that_fits_where_most_do_not_names_nothing() -> None:
    division = divide(
        [0.0, 28.0, 66.0, 104.0, 142.0],
        [0.0, 30.0, 68.0, 106.0, 142.0],
        [0.0, 4.0, 4.0, 4.0, 0.0],
        [60.0, 36.5, 90.0, 88.0],
    )
    lines = lines_of(division)
    assert lines.index == (0, 1, 2, 3)
    assert max(lines.sure) < TITLE_SURE


def test_one_time_of_many_is_no_printed_list() -> None:
    """Where one line of four has a time, the others go by their number, which is as sure as the least sure beginning."""
    _, features = with_segue()
    cuts, _ = find_cuts(features, sides=[sleeve((32.0, None, None))])
    (found,) = cuts.sides
    weakest = min(track.confidence for track in found.tracks[1:])
    assert weakest < TITLE_SURE
    assert [track.title for track in found.tracks[1:]] == ["", ""]


@cache
def with_segue() -> tuple[MadeSide, Features]:
    pieces = [tune(5, 33.0, fade_s=2.0), tune(6, 41.0, fade_s=1.0), tune(9, 28.0)]
    side = make_side(pieces, gaps_s=[-1.0, 2.5])
    return side, features_of(side.audio)


def test_a_segue_is_found_with_the_printed_times_and_marked() -> None:
    side, features = with_segue()
    cuts, _ = find_cuts(features, sides=[sleeve((32, 40, 28))])
    assert [track.boundary for track in cuts.sides[0].tracks] == ["edge", "segue", "gap"]
    assert abs(starts_s(cuts)[1] - side.starts_s[1]) <= 3.0
    assert cuts.sides[0].tracks[0].stop_frame == cuts.sides[0].tracks[1].start_frame
    cuts, _ = find_cuts(features)
    assert len(cuts.sides[0].tracks) == 2


def test_an_unsure_segue_is_flagged() -> None:
    piece = tune(5, 60.0)
    side = make_side([piece])
    cuts, findings = find_cuts(features_of(side.audio), sides=[sleeve((28, 32))])
    assert len(cuts.sides[0].tracks) == 2
    assert cuts.sides[0].tracks[1].confidence < 0.8
    flagged = [finding for finding in findings if finding.kind == "unsure-start"]
    assert len(flagged) == 1
    assert flagged[0].severity == "look"


def test_a_false_stop_is_no_boundary() -> None:
    piece = tune(3, 50.0, fade_s=0.0)
    piece[25 * RATE : 26 * RATE] = 0.0
    side = make_side([piece, tune(4, 30.0)])
    features = features_of(side.audio)
    for sides in (None, [sleeve((50, 30))]):
        cuts, _ = find_cuts(features, sides=sides)
        assert_starts(cuts, side.starts_s)


def test_both_sides_in_one_file() -> None:
    first, second = plain()[0], with_segue()[0]
    audio = np.concatenate([first.audio, second.audio])
    offset_s, features = len(first.audio) / RATE, features_of(audio)
    for sides in (None, [sleeve(LENGTHS), sleeve((32, 40, 28), "B")]):
        cuts, _ = find_cuts(features, sides=sides)
        assert [side.side for side in cuts.sides] == ["A", "B"]
        assert_starts(cuts, first.starts_s)
        second_down_s = cuts.sides[1].needle_down_frame / RATE
        assert second_down_s == pytest.approx(offset_s + second.down_s, abs=0.1)
        assert len(cuts.sides[1].tracks) == (2 if sides is None else 3)


OF_ONE_LENGTH = (32.0, 25.0, 34.0)


@cache
def of_one_length() -> MadeSide:
    """As long as the plain side."""
    pieces = [tune(seed, length) for seed, length in enumerate(OF_ONE_LENGTH, 5)]
    return make_side(pieces, gaps_s=[1.1, 3.0])


@cache
def played(order: str) -> Features:
    """Both sides in one file, one of them twice."""
    return features_of(
        np.concatenate([(plain()[0] if letter == "A" else of_one_length()).audio for letter in order])
    )


@pytest.mark.parametrize("order", ["ABA", "AAB", "ABB"])
@pytest.mark.parametrize("is_timed", [True, False])
def test_a_side_that_is_played_again_is_no_other_side(order: str, is_timed: bool) -> None:
    """Two sides of one length: only the sound tells that one of them was played twice."""
    first, second, features = plain()[0], of_one_length(), played(order)
    times = (LENGTHS, OF_ONE_LENGTH) if is_timed else ((None,) * 3, (None,) * 3)
    cuts, findings = find_cuts(features, sides=[sleeve(times[0]), sleeve(times[1], "B")])
    assert [side.side for side in cuts.sides] == ["A", "B"]
    for side in cuts.sides:
        offset_s = side.needle_down_frame / RATE - first.down_s
        used = round(offset_s * RATE / (len(first.audio) + len(second.audio)) * 2)
        assert order[used] == side.side
    assert [finding.kind for finding in findings].count("unused-play") == 1


def test_a_repeated_take_and_a_missing_side() -> None:
    side = plain()[0]
    broken = make_side([tune(1, 31.0)], run_out_s=0.5)
    audio = np.concatenate([broken.audio, side.audio])
    cuts, findings = find_cuts(features_of(audio), sides=[sleeve(LENGTHS)])
    offset_s = len(broken.audio) / RATE
    assert_starts(cuts, tuple(start + offset_s for start in side.starts_s))
    assert [finding.kind for finding in findings if finding.severity == "look"] == ["unused-play"]
    _, findings = find_cuts(plain()[1], sides=[sleeve(LENGTHS), sleeve((100, 100), "B")])
    assert "side-missing" in {finding.kind for finding in findings}


def test_two_sides_without_lifting_the_needle_between() -> None:
    pieces = [tune(seed, length) for seed, length in enumerate((*LENGTHS, 29.0), start=1)]
    side = make_side(pieces, gaps_s=[2.0, 9.0, 2.0])
    cuts, _ = find_cuts(features_of(side.audio), sides=[sleeve(LENGTHS[:2]), sleeve((LENGTHS[2], 29.0), "B")])
    assert [[track.title for track in one.tracks] for one in cuts.sides] == [["A1", "A2"], ["B1", "B2"]]
    assert cuts.sides[0].needle_up_frame == cuts.sides[1].needle_down_frame
    assert_starts(cuts, side.starts_s[2:], 1)


def test_takes_that_start_late_and_stop_early() -> None:
    side, _ = plain()
    audio = side.audio[int((side.down_s + 1.0) * RATE) : int((side.up_s - 1.5) * RATE)]
    cuts, findings = find_cuts(features_of(audio), sides=[sleeve(LENGTHS)])
    assert_starts(cuts, tuple(start - side.down_s - 1.0 for start in side.starts_s))
    kinds = {finding.kind: finding.severity for finding in findings}
    assert kinds["no-needle-down"] == kinds["no-needle-up"] == "note"
    inside = side.audio[int((side.starts_s[0] + 7) * RATE) : int((side.stops_s[2] - 7) * RATE)]
    cuts, findings = find_cuts(features_of(inside), sides=[sleeve(LENGTHS)])
    assert [
        round(start - (true - side.starts_s[0] - 7))
        for start, true in zip(starts_s(cuts)[1:], side.starts_s[1:], strict=True)
    ] == [0, 0]
    kinds = {finding.kind: finding.severity for finding in findings}
    assert kinds["no-needle-down"] == kinds["no-needle-up"] == "look"
    assert "printed-time" not in kinds  # a track that is not whole is no misprint


def test_the_locked_groove_is_recognised_and_left_out() -> None:
    side = make_side([tune(2, 30.0)], run_out_s=12.0, locked=True)
    cuts, findings = find_cuts(features_of(side.audio))
    assert cuts.sides[0].music_stop_frame / RATE < side.stops_s[0] + 0.5
    (locked,) = [finding for finding in findings if finding.kind == "locked-groove"]
    assert locked.facts["period_s"] == pytest.approx(1.8, abs=0.03)


@pytest.mark.parametrize("how", ["mono", "left", "opposite", "offset", "hum"])
def test_channels_offset_and_hum(how: str) -> None:
    side, _ = plain()
    audio = {
        "mono": side.audio[:, :1],
        "left": side.audio * [1.0, 0.0],
        "opposite": side.audio * [1.0, -1.0],
        "offset": side.audio + 0.02,
        "hum": side.audio + 0.005 * np.sin(2 * np.pi * 50 * np.arange(len(side.audio)) / RATE)[:, None],
    }[how]
    cuts, _ = find_cuts(features_of(audio), sides=[sleeve(LENGTHS)])
    assert_starts(cuts, side.starts_s)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
def test_other_rates(rate_hz: int) -> None:
    side = make_side([tune(1, 16.0, rate_hz), tune(2, 17.0, rate_hz)], rate_hz=rate_hz)
    cuts, _ = find_cuts(features_of(side.audio, rate_hz), sides=[sleeve((16, 17))])
    assert cuts.rate_hz == rate_hz
    assert_starts(cuts, side.starts_s)


def test_nothing_to_find() -> None:
    rng = np.random.default_rng(1)
    for audio in (
        np.zeros((0, 2)),
        np.zeros((1000, 2)),
        np.zeros((RATE * 3, 2)),
        1e-3 * rng.standard_normal((RATE * 5, 2)),
    ):
        features = features_of(audio)
        cuts, findings = find_cuts(features, sides=[sleeve((100, 100))])
        assert cuts.sides == ()
        assert [finding.kind for finding in findings] == ["side-missing"]
        assert features.envelope.shape[1] == 2


def test_groove_and_idle_spans_hold_no_music() -> None:
    side, features = plain()
    cuts, _ = find_cuts(features, sides=[sleeve(LENGTHS)])
    spans = features.groove_spans(cuts)
    assert sum(stop - start for start, stop in spans) / RATE > 5.0
    for start, stop in spans:
        assert side.down_s + 0.3 < start / RATE < stop / RATE < side.up_s
        for low, high in zip(side.starts_s, side.stops_s, strict=True):
            assert stop / RATE <= low or start / RATE >= high - 0.6
    idle = features.idle_spans()
    assert len(idle) == 2
    assert idle[0][1] / RATE < side.down_s
    assert idle[1][0] / RATE > side.up_s
    moved = dataclasses.replace(cuts.sides[0], needle_down_frame=RATE)
    assert features.idle_spans(dataclasses.replace(cuts, sides=(moved,)))[0][1] < RATE


def test_the_envelope_shows_every_peak() -> None:
    side, features = plain()
    assert features.envelope.shape == (2000, 2)
    assert features.envelope[:, 0].min() == pytest.approx(side.audio.min(), rel=1e-6)
    assert features.envelope[:, 1].max() == pytest.approx(side.audio.max(), rel=1e-6)


def test_a_side_from_the_press() -> None:
    from sidekeep.press.disc.side import Piece, press_side, used_lp

    pieces = [
        Piece(audio=tune(seed, length), title=f"A{n}")
        for n, (seed, length) in enumerate(((7, 20), (8, 24)), 1)
    ]
    pressed = press_side(pieces, rate_hz=RATE, settings=used_lp(run_out_turns=3), seed=4)
    cuts, _ = find_cuts(features_of(pressed.audio), sides=[sleeve((20, 24))])
    truth = pressed.truth
    assert_starts(cuts, tuple(track.start_frame / RATE for track in truth.tracks))
    assert cuts.sides[0].needle_down_frame / RATE == pytest.approx(truth.needle_down_frame / RATE, abs=0.1)
    assert cuts.sides[0].needle_up_frame / RATE == pytest.approx(truth.needle_up_frame / RATE, abs=0.4)


def test_sides_joined_without_a_lift_are_told_by_their_noise() -> None:
    loud = make_side([tune(1, 31.0), tune(2, 26.0)], noise_dbfs=-50.0, seed=2)
    soft = make_side([tune(3, 34.0), tune(4, 28.0)], noise_dbfs=-64.0, seed=3)
    parts = [
        side.audio[int((side.down_s + 0.5) * RATE) : int((side.up_s - 0.2) * RATE)] for side in (loud, soft)
    ]
    offsets_s = (-loud.down_s - 0.5, len(parts[0]) / RATE - soft.down_s - 0.5)
    features = features_of(np.concatenate(parts))
    for sides in (None, [sleeve((31, 26)), sleeve((34, 28), "B")]):
        cuts, findings = find_cuts(features, sides=sides)
        assert [side.side for side in cuts.sides] == ["A", "B"]
        for index, (side, offset_s) in enumerate(zip((loud, soft), offsets_s, strict=True)):
            assert_starts(cuts, tuple(start + offset_s for start in side.starts_s), index)
        assert "sides-joined" in {finding.kind for finding in findings}
    cuts, findings = find_cuts(features, sides=[sleeve((31, 26, 34, 28))])
    assert len(cuts.sides) == 1
    assert "sides-joined" not in {finding.kind for finding in findings}


@pytest.mark.parametrize(("faint_s", "gap_s"), [(9.0, 3.0), (0.0, 12.0)])
def test_music_that_begins_under_the_noise_is_placed_by_its_printed_time_and_told_as_unsure(
    faint_s: float, gap_s: float
) -> None:
    """Twelve seconds in which nothing is heard: a gap of three and a beginning 50 dB down, or a long gap. The printed times tell
    which."""
    begins = tune(7, max(faint_s, 0.1), fade_s=0.0)[: round(faint_s * RATE)] * 10 ** (-50 / 20)
    pieces = [tune(1, 31.0), np.concatenate([begins, tune(2, 26.0)]), tune(3, 34.0)]
    side = make_side(pieces, gaps_s=[gap_s, 3.0], noise_dbfs=-42.0, idle_dbfs=-85.0)
    cuts, findings = find_cuts(features_of(side.audio), sides=[sleeve((31.0, 26.0 + faint_s, 34.0))])
    marks = starts_s(cuts)
    assert [track.title for track in cuts.sides[0].tracks] == ["A1", "A2", "A3"]
    told = [finding for finding in findings if finding.kind == "unsure-start"]
    if faint_s:
        assert abs(marks[1] - side.starts_s[1]) < 3.0
        assert [finding.facts["track"] for finding in told] == [2]
    else:
        assert_starts(cuts, side.starts_s)
        assert told == []
    # without printed times nothing tells it from a long gap
    cuts, _ = find_cuts(features_of(side.audio))
    assert starts_s(cuts)[1] == pytest.approx(side.starts_s[1] + faint_s, abs=EARLY_S)
