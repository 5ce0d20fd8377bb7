"""Every finding has a sentence; findings of one kind are one line, with their places."""

from __future__ import annotations

from typing import Any

import pytest

from sidekeep.model.finding import Channel, Fact, Finding, Severity
from sidekeep.wording import findings as wording
from sidekeep.wording.findings import MANY, WORDS, finding_text, told

RATE_HZ = 1_000
_UNSURE: dict[str, Fact] = {"side": "A", "track": 2, "at_s": 61.2, "boundary": "segue", "confidence": 0.62}
_CHANGE: dict[str, Fact] = {"hz": 10_000.0, "change_db": -1.2, "detectable_db": 0.4}
_TITLES: dict[str, Fact] = {
    "side": "A",
    "found": 3,
    "printed": 4,
    "absent": ("Never Pressed",),
    "tracks": ("2", "3"),
    "titles": ("Low Water", "Lamp Oil"),
    "called": ("Side A, track 2", "Side A, track 3"),
}
FACTS: dict[str, dict[str, Fact]] = {
    "too-short": {"length_s": 0.002},
    "truncated-file": {"name": "side-A.wav", "read_frames": 61_000, "claimed_frames": 90_000},
    "end-not-marked": {"name": "side-A.opus", "read_frames": 61_000},
    "unfinished-file": {"name": "side-A.wav", "read_frames": 61_000, "claimed_frames": 0},
    "damaged-file": {"name": "side-A.mp3", "damaged_packets": 1},
    "own-sum-differs": {"name": "side-A.flac"},
    "not-a-number": {"frames": 2},
    "fewer-bits": {"bits": 24, "bits_in_use": 16},
    "mirrored-sound": {"once_hz": 44_100, "rate_hz": 48_000, "under_db": 24.0},
    "decoded-copy": {},
    "band-limit": {"edge_hz": 16_000.0, "fall_db": 40.0},
    "over-full-scale": {"true_peak_dbtp": 1.2},
    "lost-sound": {"lost_s": 0.05},
    "needle-lifted": {"lifted_s": 3.0},
    "pieces-meet": {"how": "music", "first": "A-1", "second": "A-2"},
    "sleeve-line": {"line_number": 4, "line": "???", "reason": "no title", "is_used": False},
    "take-chosen": {"side": "A", "take": "A-1", "newest": "A-2", "newest_s": 61.0, "take_s": 1200.0},
    "take-not-there": {"side": "A", "take": "A-1", "wanted": 3},
    "clipped": {"runs": 3, "frames": 9, "longest_frames": 4, "worst": ("1:02.5",)},
    "clipped-before": {"level_dbfs": -3.2, "places": 40},
    "level-hot": {"true_peak_dbtp": -0.4},
    "level-low": {"true_peak_dbtp": -30.0, "is_coarse": True},
    "offset": {"dc": 0.01, "offset_dbfs": -40.0},
    "dropout": {"places": 1, "length_s": 0.2, "where": ("1:02.5",)},
    "balance": {"balance_db": 2.0},
    "mono-record": {"side_to_mid_db": -30.0},
    "hum": {"hum_hz": 50.0, "hum_dbfs": -50.0},
    "rumble": {"rumble_dbfs": -40.0},
    "too-long-to-mend": {"length_ms": 12.0},
    "left-in-doubt": {"repair": "44100L"},
    "perhaps-music": {"repair": "44100L"},
    "choice-fits-nothing": {"do": "leave", "repair": "t-1200-L"},
    "marks-carried": {"side": "A", "take": "A-2"},
    "marks-not-carried": {"side": "A", "take": "A-2"},
    "no-needle-down": {"side": "A", "is_music_cut": True},
    "no-needle-up": {"side": "A", "is_music_cut": True},
    "gap-unused": {"side": "A", "track": 2, "tracks": 3, "at_s": 61.2, "confidence": 0.98},
    "sides-joined": {"side": "B"},
    "needle-stuck": {"side": "A", "turns": 6, "period_s": 1.8, "back_turns": 1, "to_the_end": False},
    "locked-groove": {"side": "A", "period_s": 1.8},
    "side-missing": {"side": "B"},
    "order-believed": {"file": "1.wav", "side": "A", "other": "B"},
    "named-otherwise": {"file": "side-B.wav", "named": "B", "side": "A"},
    "track-count": _TITLES,
    "titles-by-order": {"side": "A", "found": 3, "tracks": ("1", "2")},
    "sides-unbroken": {"side": "B", "sides": ("A", "B")},
    "untitled-track": _TITLES,
    "track-order": _TITLES,
    "speed-off": {"rpm": 34.7, "nominal_rpm": 100.0 / 3.0, "off_percent": 4.1},
    "wrong-speed": {"side": "A", "found": 3, "times": 1.35, "cut_rpm": 45.0, "played_rpm": 100.0 / 3.0},
    "other-side": {"side": "A", "likely_side": "B"},
    "same-sound": {"file": "a.wav", "other": "b.wav"},
    "same-music": {"file": "a.wav", "other": "b.wav", "is_sure": True},
    "unsure-start": _UNSURE,
    "printed-time": {"side": "A", "track": 2, "printed_s": 200.0, "heard_s": 260.0},
    "copies-clipped": {"samples": 3},
    "lossy-lowered": {"copies": "portable", "lowered_db": 0.4, "ceiling_dbtp": -1.0},
    "copies-moved": {"folder": "New", "before": ("Old",)},
    "copies-kept": {"files": 2, "first": "01 One.flac"},
    "take-changed": {"side": "A", "take": "A-1", "name": "take.wav"},
    "copies-of-some-sides": {"sides": ("B",)},
    "cd-short-track": {"titles": ("One", "Two")},
    "cd-long": {"length": "75:10"},
    "cd-divided": {"discs": 2},
    "cd-too-long": {"length": "81:00"},
    "other-recording": {"share": 0.2, "correlation": 0.1, "alike": 0.1, "is_sure": True},
    "other-disc": {"new": 210, "gone": 190, "both": 3},
    "part-only": {"share": 0.6},
    "take-cut": {"at_s": 102.0, "length_s": 5.0, "lacks": "new", "compared": "before"},
    "compare-silent": {"take": "new"},
    "compare-short": {"length_s": 3.0, "least_s": 8.0},
    "compare-dead": {"take": "old"},
    "compare-alike": {"take": "new"},
    "channel-inverted": {},
    "take-jump": {"length_s": 0.02, "lacks": "new"},
    "compare-clipped": {"take": "new", "frames": 812},
    "compare-band": {"take": "new", "edge_hz": 16_000.0},
    "compare-lossy": {"take": "old.mp3"},
    "compare-speeds": {"old_rpm": 45.0, "new_rpm": 33.333},
    "new-marks": {"scratches": 1, "crossings": 12, "singles": 3},
    "gone-marks": {"scratches": 0, "crossings": 0, "singles": 1},
    "treble-worn": _CHANGE,
    "treble-stylus": {**_CHANGE, "alike": 2, "others": 3},
    "distortion-inner": {"share": 0.05, "outer_share": 0.01, "more_on": "new"},
    "noise-chain": {"change_db": 3.0, "alike": 1, "others": 1},
    "compare-others": {"records": ("Vessa Quillmark - Charts", "The Wicker Boats - Almanac")},
    "treble-inner-gain": {**_CHANGE, "change_db": 1.2},
    "treble-chain": {**_CHANGE, "alike": 2, "others": 3},
    "groove-noise": {"change_db": 1.0},
    "groove-noise-part": {"most_db": 2.6, "most_part": "inner", "most_channel": "R"},
    "rumble-change": {"change_db": -1.0},
    "hum-change": {"change_db": 1.0},
    "level-chain": {"change_db": -3.1, "alike": 2, "others": 2},
    "balance-chain": {"change_db": 1.0},
    "speed-chain": {"ratio": 1.004},
    "crosstalk-chain": {"leak_db": -22.0, "way": "more"},
    "unchanged": {"treble_db": 0.5, "groove_db": 0.6, "distortion": 0.02, "persisting": 12},
}
"""Facts as they are raised, for the kinds whose sentence needs some."""


def finding(
    kind: str,
    start_frame: int = 44_000,
    *,
    length_frames: int = 20,
    channel: Channel = "both",
    severity: Severity = "look",
    **facts: Any,
) -> Finding:
    return Finding(
        kind=kind,
        start_frame=start_frame,
        stop_frame=start_frame + length_frames,
        channel=channel,
        severity=severity,
        facts={**FACTS.get(kind, {}), **facts},
    )


@pytest.mark.parametrize("kind", sorted(WORDS))
def test_every_sentence_is_one(kind: str) -> None:
    text = finding_text(finding(kind, channel="L"), RATE_HZ)
    assert not text[0].islower() or text.startswith(("side-A.", "a.wav", "old.mp3", "record.toml")), text
    assert text.endswith((".", "?", ")")) or kind == "sleeve-line", text
    assert "None" not in text
    assert "--" not in text, "an option belongs to the command line"
    assert "  " not in text


@pytest.mark.parametrize("kind", sorted(MANY))
def test_several_of_a_kind_are_one_line(kind: str) -> None:
    (line,) = told([finding(kind, 44_000, channel="L"), finding(kind, 70_000, channel="R")], RATE_HZ)
    assert line.text.endswith(".")
    assert (line.kind, line.severity, len(line.findings)) == (kind, "look", 2)
    assert line.channel == "both"


def test_places_of_both_channels_are_told_once() -> None:
    many = [
        finding("too-long-to-mend", 44_000, channel="L", length_ms=20.0),
        finding("too-long-to-mend", 44_010, channel="R", length_ms=35.5),
        finding("too-long-to-mend", 71_300, channel="R", length_ms=12.0),
    ]
    (line,) = told(many, RATE_HZ)
    assert line.text.startswith("Too long to mend at 2 places: 0:44.0, 1:11.3. The longest lasts 35.5 ms.")


def test_many_places_are_counted_rather_than_named() -> None:
    (line,) = told([finding("too-long-to-mend", 1_000 * at) for at in range(40)], RATE_HZ)
    assert "40 places: 0:00.0, 0:01.0, 0:02.0, 0:03.0, 0:04.0, 0:05.0 and 34 more" in line.text


def test_a_line_weighs_as_much_as_its_heaviest_finding_and_stands_where_the_first_stood() -> None:
    lines = told(
        [
            finding("clipped", channel="L", severity="look", worst=("1:02.5", "10:02.0"), runs=1),
            finding("hum"),
            finding("clipped", channel="R", severity="act", worst=("0:58.0",), runs=3),
        ],
        RATE_HZ,
    )
    assert [(line.kind, line.severity) for line in lines] == [("clipped", "act"), ("hum", "look")]
    assert lines[0].text.startswith(
        "The input clipped once in the left channel and 3 times in the right channel, worst at 0:58.0, 1:02.5, 10:02.0."
    )


def test_sides_and_kinds_that_need_their_own_sentence_keep_it() -> None:
    assert len(told([finding("no-needle-up"), finding("no-needle-up", side="B")], RATE_HZ)) == 2


def test_a_finding_of_another_version_is_told_with_code_and_facts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A take surveyed by a later version and opened by this one must not end in a traceback."""
    monkeypatch.undo()
    assert wording.finding_text(
        Finding(kind="moon-phase", start_frame=0, stop_frame=0, facts={"a": 1}), 1
    ) == ("moon-phase: a 1.")
    assert finding_text(Finding(kind="hum", start_frame=0, stop_frame=0), 1) == "hum."


def test_marks_are_told_as_scratches_and_single_ticks() -> None:
    assert finding_text(finding("new-marks"), RATE_HZ).startswith(
        "New: a scratch (crossed 12 times, turn after turn) and 3 single ticks; the loudest at 0:44.0."
    )
    two = finding("gone-marks", scratches=2, crossings=9, singles=0)
    assert finding_text(two, RATE_HZ).startswith("Gone: 2 scratches (crossed 9 times, turn after turn); the")


def test_where_few_marks_are_on_both_takes_two_readings_are_told() -> None:
    text = finding_text(finding("gone-marks", both=1), RATE_HZ)
    assert "Only 1 is on both takes" in text
    assert "another, cleaner copy" in text
    assert "washed very well" in finding_text(finding("other-disc", cleaner=True), RATE_HZ)


def test_crosstalk_says_which_way() -> None:
    more = finding("crosstalk-chain", channel="L", way="more")
    assert "The left channel leaks into the other one more than before: what was added is 22 dB down" in (
        finding_text(more, RATE_HZ)
    )
    less = finding("crosstalk-chain", way="less")
    assert "The channels leak into each other less than before" in finding_text(less, RATE_HZ)
    assert "The cartridge leans otherwise" in finding_text(finding("crosstalk-chain", way="turned"), RATE_HZ)


@pytest.mark.parametrize(("ratio", "said"), [(1 / 1.03, "3.00 % faster"), (1.03, "2.91 % slower")])
def test_speed_is_told_of_the_turntable_not_of_the_length(ratio: float, said: str) -> None:
    """A new take that lasts 1.03 times as long was played at 1 / 1.03 of the speed."""
    assert said in finding_text(finding("speed-chain", ratio=ratio), RATE_HZ)


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        ({"share": 0.9, "is_sure": True}, "other notes sound"),
        ({"share": 0.4, "is_sure": True}, "40 % of the places compared line up"),
        ({"share": 0.4, "is_sure": False}, "not sure whether"),
    ],
)
def test_why_two_takes_are_not_laid_on_each_other(facts: dict[str, Any], says: str) -> None:
    assert says in finding_text(finding("other-recording", **facts), 44_100)
