"""Pieces of one side put together: a needle lifted in the middle, a disk that was full, other music."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.cli.main import main
from sidekeep.errors import ParameterError
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.comparison.seam import find_seam, joined_blocks, order_by_sound, seam_places
from sidekeep.model.news import News
from sidekeep.service.choices import edits
from sidekeep.service.comparing.piecing import put_together
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.shelf.records import plan_sleeve
from sidekeep.service.take_findings import take_findings
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.take_bin import bin_take
from tests.flow.comparison.pairs import RATE, Held, play

Floats = NDArray[np.float64]
SLEEVE = "The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\nA1 Lamp Oil 0:44\n"
NEEDLE_S = 0.2


def chain(seconds: float, seed: int = 5) -> Floats:
    """What is heard with the needle up."""
    return np.random.default_rng(seed).standard_normal((round(seconds * RATE), 2)) * 10 ** (-80 / 20)


def thump() -> Floats:
    """A needle that is lowered or lifted."""
    at_s = np.arange(round(NEEDLE_S * RATE)) / RATE
    return chain(NEEDLE_S) + 0.3 * (np.exp(-at_s / 0.03) * np.sin(2 * np.pi * 60 * at_s))[:, np.newaxis]


def lifted_at(at_s: float) -> Floats:
    """The beginning of a side, with 5.2 s before its music."""
    return np.concatenate([chain(5.0), thump(), play(1).audio[: round(at_s * RATE)], thump(), chain(4.0)])


def lowered_at(at_s: float) -> Floats:
    """The rest, played a little faster, with 4.2 s before its music."""
    rest = play(2, speed=1.0006).audio[round(at_s * RATE) :]
    return np.concatenate([chain(4.0, 6), thump(), rest, thump(), chain(4.0, 7)])


@pytest.mark.parametrize(("lift_s", "low_s"), [(20.0, 12.0), (30.0, 24.0), (20.0, 16.0), (10.0, 0.5)])
def test_the_rest_takes_over_in_music_that_both_hold(lift_s: float, low_s: float) -> None:
    """The music of both at the seam is the same to a tenth of a millisecond: the truth is known, it was made."""
    before, after = Held(lifted_at(lift_s)), Held(lowered_at(low_s))
    seam = find_seam(before, after)
    assert seam.how == "music"
    heard = play(1).position[seam.before_frame - round(5.2 * RATE)]
    goes_on = play(2, speed=1.0006).position[seam.after_frame - round((4.2 - low_s) * RATE)]
    assert abs(heard - goes_on) < 1e-4 * RATE


@pytest.mark.parametrize(("lift_s", "low_s"), [(20.0, 26.0), (25.0, 24.0)])
def test_what_was_played_between_is_missing(lift_s: float, low_s: float) -> None:
    """The beat is the same everywhere in this music: only the sound can tell that nothing is held by both. The noise of the needle
    is left out on both sides."""
    seam = find_seam(Held(lifted_at(lift_s)), Held(lowered_at(low_s)))
    assert seam.how == "apart"
    assert lift_s - 0.7 < seam.before_frame / RATE - 5.2 <= lift_s
    assert low_s <= seam.after_frame / RATE - 4.2 + low_s < low_s + 0.7


def test_a_disk_that_was_full_leaves_the_samples_as_they_were() -> None:
    """The second take begins at the last frame that the disk had confirmed; some more were written."""
    side = play(1).audio
    before, after = Held(side[: 20 * RATE]), Held(side[20 * RATE - 4321 :])
    seam = find_seam(before, after)
    assert (seam.how, seam.before_frame) == ("exact", 20 * RATE - 4321)
    np.testing.assert_array_equal(np.concatenate(list(joined_blocks([before, after], [seam]))), side)


def test_outside_the_fades_every_sample_is_as_it_was() -> None:
    before, after = Held(lifted_at(20.0)), Held(lowered_at(14.0))
    seam = find_seam(before, after)
    joined = np.concatenate(list(joined_blocks([before, after], [seam])))
    (place,) = seam_places([seam])
    half = round(0.005 * RATE)
    np.testing.assert_array_equal(joined[: place - half], before.audio[: place - half])
    np.testing.assert_array_equal(joined[place + half :], after.audio[seam.after_frame + half :])
    assert len(joined) == place + len(after.audio) - seam.after_frame
    # nothing louder than the music around it: no click
    assert np.abs(np.diff(joined[place - half : place + half], axis=0)).max() < 0.1


def test_pieces_in_the_wrong_order_are_refused() -> None:
    before, after = Held(lifted_at(20.0)), Held(lowered_at(14.0))
    with pytest.raises(ParameterError, match="one behind the other"):
        find_seam(after, before)
    with pytest.raises(ParameterError, match="sample rate or channels"):
        find_seam(before, Held(after.audio, RATE // 2))
    with pytest.raises(ParameterError, match="one behind the other"):
        list(joined_blocks([before, before], [find_seam(before, before)]))


def test_a_long_piece_that_was_named_too_late_is_known_by_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """What both hold lies after the beginning of the piece, where the other one is looked for; the sound tells the order of
    several, and nothing of pieces that share nothing."""
    monkeypatch.setattr("sidekeep.flow.comparison.seam.LOOKED_S", 12.0)
    first, second, third = Held(lifted_at(22.0)), Held(lowered_at(16.0)), Held(lowered_at(30.0))
    with pytest.raises(ParameterError, match="one behind the other"):
        find_seam(second, first)
    assert find_seam(first, third).how == "apart"
    assert order_by_sound([second, first]) == (1, 0)
    assert order_by_sound([third, second, first]) == (2, 1, 0)
    assert order_by_sound([first, third]) == ()


@pytest.fixture
def folder(tmp_path: Path) -> RecordFolder:
    """A-1 in the bin, lifted; A-2, its rest."""
    folder = plan_sleeve(tmp_path / "shelf", SLEEVE)
    lost = News(code="loss", severity="act", at_frame=9 * RATE, facts={"lost_s": 0.1})
    for audio, notes in ((lifted_at(20.0), [lost]), (lowered_at(14.0), [])):
        place = folder.new_take_folder("A")
        soundfile.write(place / "take.wav", np.clip(audio, -1, 1), RATE, subtype="PCM_24")
        take = close_recorded(folder, place / "take.wav", side="A", notes=notes)
        if notes:
            bin_take(folder, take, "lifted")
    return folder


def test_a_new_take_is_used_and_gives_way_again(
    folder: RecordFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the bin too; also where a person had named a take to be used; what was told of a piece lies where it is now."""
    edits.apply(folder, {"kind": "choose-take", "side": "A", "number": 2})
    code = main(["combine", "tallow/A-1", "A-2", "--pieces", "--shelf", str(folder.path.parent), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert (code, [seam["how"] for seam in told["seams"]]) == (0, ["music"])
    (used,) = folder.chosen_takes()
    assert (used.folder_name, used.how, used.original_name) == ("A-3", "combined", "A-1 + A-2")
    assert [take.folder_name for take in folder.binned()] == ["A-1"]
    findings = take_findings(folder.path / used.folder / "take.wav")
    assert [finding.kind for finding in findings] == ["lost-sound", "pieces-meet"]
    assert findings[0].start_frame == 9 * RATE
    assert findings[1].start_frame == round(told["seams"][0]["at_s"] * RATE)
    first = open_take([folder.path / "takes" / ".bin" / "A-1" / "take.wav"])
    third = open_take([folder.path / used.folder / "take.wav"])
    np.testing.assert_array_equal(third.read(0, 10 * RATE), first.read(0, 10 * RATE))
    edits.undo(folder)
    bin_take(folder, used, "discard")
    assert [take.folder_name for take in folder.chosen_takes()] == ["A-2"]


def test_the_right_order_is_named(
    folder: RecordFolder, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["combine", "tallow/A-2", "A-1", "--pieces", "--shelf", str(folder.path.parent)]
    assert main(words) == 2
    assert "name them so: A-1 A-2" in capsys.readouterr().err
    assert [take.folder_name for take in folder.takes()] == ["A-2"]


def test_files_go_to_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    side = np.clip(play(1).audio, -1, 1)
    for name, audio in (("one.wav", side[: 9 * RATE]), ("two.wav", side[9 * RATE : 12 * RATE])):
        soundfile.write(tmp_path / name, audio, RATE, subtype="PCM_16")
    words = ["combine", str(tmp_path / "one.wav"), str(tmp_path / "two.wav"), "--pieces", "--out"]
    assert main([*words, str(tmp_path / "side.wav")]) == 1
    assert "one.wav and two.wav meet at 0:09.0" in capsys.readouterr().out
    whole, rate_hz = soundfile.read(tmp_path / "side.wav", dtype="int16")
    assert rate_hz == RATE
    pieces = [soundfile.read(tmp_path / name, dtype="int16")[0] for name in ("one.wav", "two.wav")]
    joined = np.concatenate(pieces)
    assert len(whole) == len(joined)
    np.testing.assert_array_equal(whole[: 8 * RATE], joined[: 8 * RATE])
    assert main([*words, str(tmp_path / "side.txt")]) == 2
    with pytest.raises(ParameterError, match="at least two takes"):
        put_together(tmp_path, [str(tmp_path / "one.wav")])
