"""Signs and counts become the right words: more or less, left or right, one or several. What each sign means stands in
``docs/json.md`` and where the fact is raised: a change is new less old, a balance left less right."""

from __future__ import annotations

from typing import Any

import pytest
from tests.wording.test_findings import RATE_HZ, finding

from sidekeep.wording.findings import finding_text

_THREE_BACK = {"back_turns": 3, "period_s": 5.4}
_ONE_TRACK = {"tracks": ("2",), "called": ("Side A, track 2",)}
ROWS: list[tuple[str, dict[str, Any], str]] = [
    ("level-chain", {"change_db": 3.1}, "3.1 dB louder"),
    ("level-chain", {"change_db": -3.1}, "3.1 dB quieter"),
    ("balance-chain", {"change_db": 1.2}, "1.2 dB to the left"),
    ("balance-chain", {"change_db": -1.2}, "1.2 dB to the right"),
    ("balance", {"channel": "L"}, "The left channel is 2.0 dB louder"),
    ("balance", {"channel": "R", "balance_db": -2.0}, "The right channel is 2.0 dB louder"),
    ("hum-change", {"change_db": 1.0}, "1.0 dB more than before"),
    ("hum-change", {"change_db": 1.0, "channel": "L"}, "most in the left channel"),
    ("rumble-change", {"change_db": -1.0}, "1.0 dB less than before"),
    ("groove-noise-part", {}, "on the right of the inner third: 2.6 dB more than before"),
    (
        "groove-noise-part",
        {"most_db": -2.6, "most_channel": "both"},
        "in the inner third: 2.6 dB less than before",
    ),
    ("groove-noise", {"hiss": "part", "groove_db": 1.4}, "without that the groove has 1.4 dB more."),
    ("groove-noise", {"hiss": "none"}, "is too little"),
    ("groove-noise", {"hiss": "unknown", "unknown_on": "both"}, "neither take holds a moment"),
    ("groove-noise", {"hiss": "unknown", "unknown_on": "old"}, "the old take does not hold a moment"),
    ("noise-chain", {"hiss": "all", "hiss_db": -2.0}, "there is 2.0 dB less of it"),
    ("noise-chain", {}, "the one other record of these evenings changed the same way"),
    ("noise-chain", {"alike": 0}, "the one other record of these evenings has not changed the same way"),
    ("noise-chain", {"alike": 2, "others": 3}, "2 of 3 other records of these evenings changed the same way"),
    ("noise-chain", {"alike": 0, "others": 3}, "none of 3 other records"),
    ("distortion-inner", {}, "5 % (1 % outside, more of it on the new take)"),
    ("distortion-inner", {"more_on": "", "channel": "L"}, "left 5 % (1 % outside)"),
    ("take-jump", {}, "20 ms of the new take near 0:44.0"),
    ("take-jump", {"length_s": 1.5}, "about 1.5 s of"),
    (
        "take-jump",
        {"turns": 2},
        "the needle jumped forward over them on the new take, or back on the old one",
    ),
    (
        "take-cut",
        {"lacks": "old", "turns": 1},
        "1 turn of the disc. Whole turns: the needle jumped forward over them on the old",
    ),
    ("take-cut", {}, "About 5.0 s of the music is missing from the new take near 1:42"),
    ("speed-off", {}, "4.1 % too fast: 34.70 turns a minute, not 33 1/3. The music is as much too high"),
    ("speed-off", {"off_percent": -4.1}, "4.1 % too slow"),
    ("speed-off", {"off_percent": -4.1}, "too low"),
    (
        "wrong-speed",
        {},
        "all 3 tracks last about 1.35 times as long as the sleeve says, as a record for 45 rpm",
    ),
    ("wrong-speed", {"found": 1}, "its track lasts about"),
    ("level-low", {}, "record again with more gain"),
    ("level-low", {"is_coarse": False}, "more gain is not needed"),
    ("fewer-bits", {"severity": "note"}, "Nothing is missing"),
    ("fewer-bits", {"severity": "look"}, "check the input's settings"),
    (
        "unsure-start",
        {},
        "A2 is taken to start at 1:01.2, running on from the track before; that is 62 % sure",
    ),
    ("unsure-start", {"boundary": "gap"}, "after a pause"),
    ("damaged-file", {}, "1 piece of side-A.mp3 could not be decoded and is missing"),
    ("damaged-file", {"damaged_packets": 2}, "2 pieces of side-A.mp3 could not be decoded and are missing"),
    ("lost-sound", {}, "0.050 s of sound was lost at 0:44.0 while"),
    ("lost-sound", {"within_s": 3.0}, "at 0:44.0 (within 3 s) while"),
    ("clipped", {"severity": "act"}, "with less gain"),
    ("clipped", {"severity": "look", "runs": 2}, "twice in the sound, worst at 1:02.5. So few and so short"),
    ("sleeve-line", {}, "Line 4 of the sleeve text was not used"),
    ("sleeve-line", {"is_used": True}, "Line 4 of the sleeve text is odd"),
    ("needle-stuck", {}, "the needle stuck: one turn was heard 6 times more, until 0:44.0"),
    ("needle-stuck", {"turns": 1}, "the needle jumped back, and one turn was heard twice"),
    ("needle-stuck", {"turns": 1, "to_the_end": True}, "the needle stuck in one turn, until it was lifted"),
    ("needle-stuck", {"to_the_end": True}, "the needle stuck in one turn, until it was lifted"),
    (
        "needle-stuck",
        {"to_the_end": True, **_THREE_BACK},
        "over the same 5.4 s (3 turns), until it was lifted",
    ),
    ("needle-stuck", {"turns": 1, "to_the_end": True, **_THREE_BACK}, "and 5.4 s (3 turns) were heard twice"),
    ("needle-stuck", _THREE_BACK, "again and again: 5.4 s (3 turns) were heard 6 times more"),
    (
        "untitled-track",
        {},
        "the sleeve lists 4 tracks, 3 were found. Not found: 'Never Pressed'. Which title",
    ),
    (
        "untitled-track",
        {},
        "belongs to tracks 2 and 3 is not sure; they are called 'Side A, track 2' and so on.",
    ),
    ("untitled-track", {"printed": 3}, "write the titles in, or take the sleeve's order."),
    (
        "untitled-track",
        _ONE_TRACK,
        "to track 2 is not sure; it is called 'Side A, track 2'. Listen, then write the title in.",
    ),
    ("mirrored-sound", {}, "was at 44.1 kHz once and was brought to 48 kHz by"),
    ("band-limit", {}, "no sound above 16.0 kHz (it falls 40 dB within"),
    ("unchanged", {}, "treble (a loss of 0.5 dB near the label would have been seen)"),
    ("unchanged", {}, "surface noise (a change of 0.6 dB would have been seen)"),
    ("unchanged", {}, "distortion near the end of the side (2 % would have been seen)"),
    ("unchanged", {}, "marks (12 on both takes, none new)"),
    ("unchanged", {"perhaps": 2}, "marks (12 on both takes, none new; 2 too faint to be sure of)"),
]


@pytest.mark.parametrize(
    ("kind", "facts", "said"), ROWS, ids=[f"{kind}: {said[:30]}" for kind, _, said in ROWS]
)
def test_a_sign_becomes_the_right_word(kind: str, facts: dict[str, Any], said: str) -> None:
    assert said in finding_text(finding(kind, **facts), RATE_HZ)


def test_repairs_that_a_choice_names() -> None:
    def chosen(**facts: Any) -> str:
        return finding_text(finding("choice-fits-nothing", repair="", **facts), RATE_HZ)

    assert chosen(of_kind="tick", below_db=-30.0).startswith("Leave ticks below -30 dB:")
    assert chosen(of_kind="crackle", from_frame=10).startswith("Leave crackle between frame 10 and the end:")
    assert chosen(to_frame=20).startswith("Leave repairs between frame 0 and frame 20:")
    assert chosen(from_frame=10, to_frame=11).startswith("Leave repairs at frame 10:")
    assert finding_text(finding("choice-fits-nothing"), RATE_HZ).startswith("Leave the repair t-1200-L:")
