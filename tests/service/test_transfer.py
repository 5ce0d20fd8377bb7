"""The whole job on a tiny two-sided record, in every way its recordings can lie on the disk."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyebur128
import pytest
import soundfile
from numpy.typing import NDArray

from sidekeep.copies.kept.manifest import read_manifest
from sidekeep.copies.run.run import WrittenFile
from sidekeep.copies.run.successors import REPORT_NAME
from sidekeep.errors import CopyError, SidekeepError
from sidekeep.service.choices.recipes import recipe_from
from sidekeep.service.transfers.report import transfer_with_report
from sidekeep.service.transfers.transfer import transfer
from sidekeep.service.transfers.transferred import TransferOptions, TransferResult
from sidekeep.units import clock_text
from tests.heard import heard_once
from tests.outside import files_no_larger_than, mounted, nobody_writes
from tests.small_record import RATE_HZ, SLEEVE, small_record

Whole = NDArray[np.int32]
UNTOUCHED = TransferOptions(kinds="lossless", recipe=recipe_from(size="none", level="none"))


@dataclass(frozen=True)
class Done:
    """A finished transfer and the recordings it was made from."""

    files: list[Path]
    result: TransferResult
    report: Path

    def written(self, kind: str, side: str) -> list[Path]:
        """Audio files of one side, in order."""
        numbers = {"A": (1, 2), "B": (3, 4)}[side]
        return [
            next(each.path for each in self.result.written if each.path.match(f"{kind}/{number:02d} *"))
            for number in numbers
        ]


def run(folder: Path, form: str, options: TransferOptions) -> Done:
    files, sleeve = small_record().write(folder, form)
    with heard_once():
        result, report = transfer_with_report(
            files, out_dir=folder / "out", sleeve_path=sleeve, options=options
        )
    return Done(files, result, report)


@pytest.fixture(scope="session")
def by_side(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Two files, as most people will have them: mended, levelled, two kinds of copies."""
    return run(tmp_path_factory.mktemp("by-side"), "two", TransferOptions())


@pytest.fixture(scope="session")
def in_one(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Both sides in one file, mended, at the recording's own level."""
    options = TransferOptions(kinds="lossless", recipe=recipe_from(level="none"))
    return run(tmp_path_factory.mktemp("in-one"), "one", options)


@pytest.fixture(scope="session")
def in_pieces(tmp_path_factory: pytest.TempPathFactory) -> Done:
    """Side A in two files, nothing mended, nothing levelled."""
    options = TransferOptions(
        kinds="lossless", recipe=recipe_from(size="none", level="none"), side_letters=("A", "A", "B")
    )
    return run(tmp_path_factory.mktemp("in-pieces"), "pieces", options)


@pytest.fixture
def side_a(tmp_path: Path) -> tuple[Path, Path]:
    """One side as a file, and its sleeve."""
    path, sleeve = tmp_path / "side-A.wav", tmp_path / "sleeve.txt"
    soundfile.write(path, small_record().a.audio, RATE_HZ, subtype="PCM_24")
    sleeve.write_text(SLEEVE.split("Side B")[0])
    return path, sleeve


def whole(paths: Sequence[Path]) -> Whole:
    """24-bit whole numbers of files put end to end."""
    return np.concatenate([soundfile.read(path, dtype="int32", always_2d=True)[0] >> 8 for path in paths])


def touched(done: Done, side: int) -> NDArray[np.bool_]:
    """Samples of a side that repairs or fades may have changed, (frames, channels), from its first span."""
    rendered = done.result.sides[side]
    first, last = rendered.spans[0], rendered.spans[-1]
    marks = np.zeros((last.stop_frame - first.start_frame, 2), np.bool_)
    marks[: first.fade_in_frames] = True
    marks[len(marks) - last.fade_out_frames :] = True
    for repair in rendered.take.survey.repairs:
        start, stop = (max(0, frame - first.start_frame) for frame in (repair.start_frame, repair.stop_frame))
        columns = {"L": slice(0, 1), "R": slice(1, 2), "both": slice(0, 2)}[repair.channel]
        marks[start:stop, columns] = True
    return marks


@pytest.mark.parametrize("form", ["in_one", "in_pieces"])
def test_untouched_samples_are_the_takes_own_and_tracks_adjoin(
    form: str, request: pytest.FixtureRequest
) -> None:
    """With the level left alone, the tracks put end to end are the recording, bit for bit: not a sample lost
    or doubled at any join (of tracks or of files), none changed outside repairs and fades."""
    done: Done = request.getfixturevalue(form)
    takes = {"A": whole(done.files[:1]), "B": whole(done.files[:1])}
    if form == "in_pieces":
        takes = {"A": whole(done.files[:2]), "B": whole(done.files[2:])}
    for index, side in enumerate("AB"):
        spans = done.result.sides[index].spans
        assert done.result.sides[index].cuts.side == side
        assert spans[0].stop_frame == spans[1].start_frame
        tracks = done.written("lossless", side)
        assert [soundfile.info(path).frames for path in tracks] == [span.length_frames for span in spans]
        given, take = whole(tracks), takes[side][spans[0].start_frame : spans[-1].stop_frame]
        changed = given != take
        marks = touched(done, index)
        assert not (changed & ~marks).any()
        assert changed[marks].any() == (marks.any())
        assert marks.mean() < 0.15
    repairs = [repair for take in done.result.takes for repair in take.survey.repairs]
    assert bool(repairs) == (form == "in_one")


def test_joined_files_of_a_side_are_one_take(in_pieces: Done) -> None:
    """The join falls inside the first track's file: where two recordings meet nothing is heard or lost."""
    assert len(in_pieces.result.takes) == 2
    first = in_pieces.result.takes[0]
    join = soundfile.info(in_pieces.files[0]).frames
    assert first.source.format.length_frames == join + soundfile.info(in_pieces.files[1]).frames
    spans = in_pieces.result.sides[0].spans
    assert spans[0].start_frame < join < spans[1].stop_frame


def test_both_sides_of_one_file_are_found_where_they_lie(in_one: Done) -> None:
    record = small_record()
    offset = len(record.a.audio) + RATE_HZ
    for side, pressed, start in zip(in_one.result.sides, (record.a, record.b), (0, offset), strict=True):
        truth = [start + track.start_frame for track in pressed.truth.tracks]
        found = [track.start_frame for track in side.cuts.tracks]
        np.testing.assert_allclose(found, truth, atol=0.5 * RATE_HZ)
        titles = {"A": ["Dew on the Crates", "Second Sight"], "B": ["Third Rail", "Fourth Wall"]}
        assert [track.title for track in side.cuts.tracks] == titles[side.cuts.side]


def true_peak_dbtp(paths: Sequence[Path]) -> float:
    peak = 0.0
    for path in paths:
        audio, rate_hz = soundfile.read(path, always_2d=True)
        state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
        state.add_frames(audio.ravel(), len(audio))
        peak = max(peak, *(pyebur128.get_true_peak(state, channel) for channel in range(2)))
    return float(20.0 * np.log10(peak))


def test_the_record_peaks_at_minus_1_dbtp_with_one_gain_for_both_sides(by_side: Done) -> None:
    """Against libebur128's true peak (its 4x interpolator; ITU-R BS.1770 Annex 2), measured on the files."""
    a, b = (by_side.written("lossless", side) for side in "AB")
    assert true_peak_dbtp([*a, *b]) == pytest.approx(-1.0, abs=0.05)
    assert true_peak_dbtp(b) < -2.5  # pressed 3 dB lower, and it stays lower
    gain = 10.0 ** (by_side.result.gain.gain_db / 20.0)
    for index, tracks in enumerate((a, b)):
        spans = by_side.result.sides[index].spans
        take = whole(by_side.files[index : index + 1])[spans[0].start_frame : spans[-1].stop_frame]
        given, outside = whole(tracks), ~touched(by_side, index)
        assert given.shape == take.shape
        # Triangular dither of 1 LSB either way, and the rounding (Lipshitz, Wannamaker, Vanderkooy 1992).
        assert np.abs(given - take * gain)[outside].max() <= 1.5


def test_portable_copies_are_as_long_and_lie_as_the_lossless_ones(by_side: Done) -> None:
    for side in "AB":
        exact = whole(by_side.written("lossless", side)) / 2.0**23
        lossy = np.concatenate(
            [soundfile.read(path, always_2d=True)[0] for path in by_side.written("portable", side)]
        )
        assert lossy.shape == exact.shape
        join = soundfile.info(by_side.written("lossless", side)[0]).frames
        for middle in (RATE_HZ, join, len(exact) - 2 * RATE_HZ):
            near = slice(middle - RATE_HZ // 4, middle + RATE_HZ // 4)
            assert np.corrcoef(exact[near].ravel(), lossy[near].ravel())[0, 1] > 0.99


def test_a_track_has_one_length_in_report_playlist_and_file(by_side: Done) -> None:
    """Three lengths for one track stood there once: of the music, of the file, and of the sleeve."""
    told = re.findall(r'<span class="time">([\d:]+)</span>', by_side.report.read_text("utf-8"))
    (playlist,) = (by_side.result.folder / "lossless").glob("*.m3u8")
    listed = re.findall(r"#EXTINF:(\d+),", playlist.read_text("utf-8"))
    written = [soundfile.info(path) for side in "AB" for path in by_side.written("lossless", side)]
    assert len(told) == 4
    assert told == [clock_text(each.frames / each.samplerate) for each in written]
    assert told == [clock_text(float(length)) for length in listed]


def test_everything_is_in_the_folder_and_in_the_manifest(by_side: Done) -> None:
    folder = by_side.result.folder
    assert folder.name == "Vesna Or Nobody - Small Hours (1987)"
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    listed = set(read_manifest(folder))
    assert listed <= names
    assert names - listed <= {"manifest-sha256.txt"} | {name for name in names if name.startswith(".")}
    assert REPORT_NAME in listed
    assert sum(name.endswith((".flac", ".mp3")) for name in names) == 8
    assert not list(folder.parent.glob(".sidekeep-*"))


def test_running_twice_keeps_every_file_as_it_is(by_side: Done, tmp_path: Path) -> None:
    folder = by_side.result.folder
    before = {
        path: path.stat().st_mtime_ns for path in folder.rglob("*.*") if path.suffix in (".flac", ".mp3")
    }
    sleeve = by_side.files[0].parent / "sleeve.txt"
    with heard_once():
        again = transfer(by_side.files, out_dir=folder.parent, sleeve_path=sleeve)
    assert {each.action for each in again.written if each.length_frames} == {"kept"}
    assert {path: path.stat().st_mtime_ns for path in before} == before


def test_a_clash_with_somebody_elses_file_is_refused_in_one_line(
    side_a: tuple[Path, Path], tmp_path: Path
) -> None:
    mine = (
        tmp_path / "out" / "Vesna Or Nobody - Small Hours (1987)" / "lossless" / "01 Dew on the Crates.flac"
    )
    mine.parent.mkdir(parents=True)
    mine.write_text("my own notes")
    with pytest.raises(CopyError) as told:
        transfer([side_a[0]], out_dir=tmp_path / "out", sleeve_path=side_a[1], options=UNTOUCHED)
    assert "\n" not in str(told.value)
    assert mine.read_text() == "my own notes"


def test_titles_that_no_file_system_takes(side_a: tuple[Path, Path], tmp_path: Path) -> None:
    title = 'Up/Down \\ 100% <"Loud"?> 🎛️👩‍🎤 | CON: *'
    side_a[1].write_text(f"AC/…/🐈 - ../Night: {title}\n\nSide A\nA1 {title} 0:08\nA2 ../../etc 0:08\n")
    done = transfer([side_a[0]], out_dir=tmp_path / "out", sleeve_path=side_a[1], options=UNTOUCHED)
    assert done.folder.parent == tmp_path / "out"
    assert list((tmp_path / "out").iterdir()) == [done.folder]
    written: list[WrittenFile] = [each for each in done.written if each.length_frames]
    assert len(written) == 2
    for each in written:
        assert each.path.parent == done.folder / "lossless"
        assert not set(each.path.name) & set('<>:"/\\|?*')
        assert each.path.exists()
    assert soundfile.SoundFile(str(written[0].path)).title == title


def nothing_half(out: Path) -> None:
    """No part of a file, no work folder; what waits for the next run is whole."""
    assert not [path for path in out.rglob("*") if path.name.endswith(".part")]
    assert not list(out.glob(".sidekeep-*"))
    for path in out.rglob("*.flac"):
        audio, _ = soundfile.read(path)
        assert len(audio)


@pytest.mark.parametrize("moment", [0.2, 0.7, 0.9])
def test_stopped_by_hand_nothing_half_is_left_and_the_next_run_completes(
    moment: float, side_a: tuple[Path, Path], tmp_path: Path
) -> None:
    """As Ctrl+C does it: KeyboardInterrupt in the midst of the survey, the render and the end."""

    def stop(share: float, doing: str = "") -> None:
        if share >= moment:
            raise KeyboardInterrupt

    out = tmp_path / "out"
    with pytest.raises(KeyboardInterrupt):
        transfer([side_a[0]], out_dir=out, sleeve_path=side_a[1], options=UNTOUCHED, progress=stop)
    nothing_half(out)
    assert not [path for path in out.rglob("*.flac") if not path.parent.name.startswith(".")]
    done = transfer([side_a[0]], out_dir=out, sleeve_path=side_a[1], options=UNTOUCHED)
    assert len(list(done.folder.rglob("*.flac"))) == 2
    nothing_half(out)


def test_a_second_run_into_the_same_folder_waits_for_the_first(
    side_a: tuple[Path, Path], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    hold = (
        "import sys; from pathlib import Path; from sidekeep.shelf.record_lock import folder_at_work\n"
        "with folder_at_work(Path(sys.argv[1]), 'writing copies'): print('held', flush=True); sys.stdin.readline()"
    )
    first = subprocess.Popen(
        [sys.executable, "-c", hold, str(out / "Vesna Or Nobody - Small Hours (1987)")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert first.stdout is not None
    assert first.stdout.readline() == "held\n"
    waits: list[list[str]] = []

    def progress(share: float, doing: str = "") -> None:
        if "waiting: writing copies" in doing and first.poll() is None:
            waits.append([path.name for path in out.iterdir() if not path.name.startswith(".")])
            first.communicate("go\n", timeout=120)

    result = transfer([side_a[0]], out_dir=out, sleeve_path=side_a[1], options=UNTOUCHED, progress=progress)
    assert waits == [[]]
    assert [bool(each.length_frames) for each in result.written].count(True) == 2
    assert [path.name for path in out.iterdir()] == [result.folder.name]


@pytest.mark.parametrize("kind", ["disk", "file"])
def test_without_room_one_line_and_nothing_half(kind: str, side_a: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with mounted(out, "size=1m") if kind == "disk" else files_no_larger_than(1_000_000):
        with pytest.raises(SidekeepError) as told:
            transfer([side_a[0]], out_dir=out, sleeve_path=side_a[1], options=UNTOUCHED)
        assert "\n" not in str(told.value)
        assert any(word in str(told.value) for word in ("full", "room", "space", "large"))
        nothing_half(out)


def test_a_folder_that_may_not_be_written(side_a: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    with nobody_writes(out), pytest.raises(CopyError) as told:
        transfer([side_a[0]], out_dir=out, sleeve_path=side_a[1], options=UNTOUCHED)
    assert "\n" not in str(told.value)
    assert not list(out.iterdir())


def test_a_file_where_the_folder_should_be(side_a: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "out").write_text("in the way")
    with pytest.raises(CopyError, match="copies go into a folder"):
        transfer([side_a[0]], out_dir=tmp_path / "out", sleeve_path=side_a[1], options=UNTOUCHED)
