"""Never the wrong music under a name: sleeves that do not fit the record, files mixed up; judged on what was written."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import mutagen.flac
import numpy as np
import pytest
import soundfile
from scipy import signal

from sidekeep.cli.main import main
from sidekeep.press.disc.side import Piece, Pressed, press_side
from sidekeep.service.choices.recipes import recipe_from
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.report import transfer_with_report
from sidekeep.service.transfers.transferred import TransferOptions, TransferResult
from sidekeep.wording.findings import finding_text
from tests.heard import heard_once
from tests.small_record import SETTINGS, play

RATE_HZ = 22_050
"""Low, to be quick: what is asked here is which music a title is given to."""
A = {"Dew on the Crates": 12.0, "Second Sight": 21.0, "Half a Mile": 9.0, "Low Water": 16.0}
B = {"Third Rail": 26.0, "Fourth Wall": 10.0, "Lamp and Ladder": 18.0}
ALIKE = {"North Quay": 12.4, "Ferry Bell": 20.6, "Salt Stair": 9.3, "Tar Lane": 15.7}
"""The music of a side C whose tracks are nearly as long as those of A."""
ROOTS = {"Dew on the Crates": 110.0, "Second Sight": 146.8, "Half a Mile": 98.0, "Low Water": 123.5}
ROOTS |= {"Third Rail": 130.8, "Fourth Wall": 87.3, "Lamp and Ladder": 164.8}
ROOTS |= {"North Quay": 116.5, "Ferry Bell": 155.6, "Salt Stair": 103.8, "Tar Lane": 138.6}
UNTOUCHED = recipe_from(size="none", level="none")


@pytest.fixture(autouse=True, scope="module")
def _heard_once() -> Iterator[None]:
    """The same three sides lie under every sleeve."""
    with heard_once():
        yield


@cache
def pressed(side: str, rate_hz: int = RATE_HZ) -> Pressed:
    pieces = [
        Piece(audio=play(ROOTS[title], length, rate_hz), title=title)
        for title, length in {"A": A, "B": B, "C": ALIKE}[side].items()
    ]
    return press_side(pieces, rate_hz=rate_hz, settings=SETTINGS, seed=31 + ord(side))


def sleeve_text(**sides: Mapping[str, float | None]) -> str:
    lines = ["Vesna Or Nobody - Small Hours (1987)"]
    for name, tracks in sides.items():
        lines += ["", f"Side {name}"]
        for number, (title, length) in enumerate(tracks.items(), start=1):
            time = "" if length is None else f" 0:{round(length):02d}"
            lines.append(f"{name}{number} {title}{time}")
    return "\n".join(lines) + "\n"


def write(folder: Path, text: str, *sides: str) -> tuple[list[Path], Path]:
    """A recording for every side named, in the order given, and the sleeve."""
    sleeve = folder / "sleeve.txt"
    sleeve.write_text(text, "utf-8")
    files = []
    for number, side in enumerate(sides, start=1):
        files.append(folder / f"recording-{number}.wav")
        soundfile.write(files[-1], pressed(side).audio, RATE_HZ, subtype="PCM_24")
    return files, sleeve


def run(
    folder: Path,
    files: Sequence[Path],
    sleeve: Path,
    *,
    letters: str = "",
    titles: str = "sure",
    out: str = "out",
) -> TransferResult:
    options = TransferOptions(
        kinds="lossless",
        recipe=UNTOUCHED,
        side_letters=tuple(letters.split(",")) if letters else None,
        titles=titles,  # type: ignore[arg-type]
    )
    return transfer_with_report(files, out_dir=folder / out, sleeve_path=sleeve, options=options)[0]


@dataclass(frozen=True)
class Written:
    """A file of copies: the music it holds (found by its very samples in the pressed sides) and what it is called."""

    music: str
    title: str
    name: str
    side: str


def read_back(result: TransferResult) -> list[Written]:
    found = []
    for each in result.written:
        if each.kind == "lossless" and each.path.suffix == ".flac":
            tags = mutagen.flac.FLAC(each.path)
            found.append(
                Written(music_in(each.path), tags["title"][0], each.path.stem[3:], tags["discsubtitle"][0])
                if "discsubtitle" in tags
                else Written(music_in(each.path), tags["title"][0], each.path.stem[3:], "")
            )
    return found


@cache
def pressed_steps(side: str) -> np.ndarray:
    """The side as 24-bit integers."""
    return np.round(np.clip(pressed(side).audio, -1.0, 1.0) * (2**23 - 1)).astype(np.int32)


def music_in(path: Path) -> str:
    """Which piece the middle of a file holds, by finding its samples in what was pressed."""
    with soundfile.SoundFile(path) as file:
        file.seek(file.frames // 2)
        chunk = file.read(400, dtype="int32", always_2d=True) >> 8
    for side in "ABC":
        take = pressed_steps(side)
        for at in np.flatnonzero(np.abs(take[: -len(chunk), 0] - chunk[0, 0]) <= 1):
            if (np.abs(take[at : at + len(chunk)] - chunk) <= 1).all():
                tracks = pressed(side).truth.tracks
                return next(t.title for t in tracks if t.start_frame <= at < t.stop_frame)
    return ""


def acts(result: TransferResult) -> list[str]:
    return [f.kind for take in result.takes for f in take.survey.findings if f.severity == "act"]


def assert_none_wrong(found: Sequence[Written]) -> None:
    """Each title given is that of the music, and the name of the file is its title."""
    assert found
    for each in found:
        assert each.title == each.music or each.title.startswith("Side "), each
        assert each.name == each.title, each


def assert_agree(result: TransferResult) -> None:
    """Files, report and record say the same names."""
    names = [track.title for side in result.record.sides for track in side.tracks]
    assert [each.title for each in read_back(result)] == names
    report = (result.folder / "report.html").read_text("utf-8")
    assert [name for name in names if name not in report] == []
    sheets = [path.read_text("utf-8") for path in result.folder.rglob("*.m3u8")]
    assert all(name in sheet for sheet in sheets for name in names)


def test_the_sleeve_that_fits_names_everything_and_raises_nothing(tmp_path: Path) -> None:
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=B), "A", "B")
    result = run(tmp_path, files, sleeve)
    found = read_back(result)
    assert [each.title for each in found] == [each.music for each in found] == [*A, *B]
    assert acts(result) == []
    assert_agree(result)


def test_a_title_that_was_never_pressed_names_nothing(tmp_path: Path) -> None:
    listed = {"Dew on the Crates": 12.0, "Never Pressed": 50.0, **A}
    files, sleeve = write(tmp_path, sleeve_text(A=listed), "A")
    result = run(tmp_path, files, sleeve)
    found = read_back(result)
    assert [each.title for each in found] == [each.music for each in found] == list(A)
    told = [
        finding_text(finding, 1)
        for finding in result.takes[0].survey.findings
        if finding.kind == "track-count"
    ]
    assert len(told) == 1
    assert "Not found: 'Never Pressed'" in told[0]
    assert_agree(result)


def test_an_unlisted_track_is_called_by_side_and_number(tmp_path: Path) -> None:
    listed = {title: length for title, length in A.items() if title != "Second Sight"}
    files, sleeve = write(tmp_path, sleeve_text(A=listed), "A")
    result = run(tmp_path, files, sleeve)
    found = read_back(result)
    assert [each.title for each in found] == [
        "Dew on the Crates",
        "Side A, track 2",
        "Half a Mile",
        "Low Water",
    ]
    assert_none_wrong(found)
    assert acts(result) == ["untitled-track"]
    assert_agree(result)


def test_without_times_a_title_too_many_gives_no_title_at_all(tmp_path: Path) -> None:
    listed = dict.fromkeys((*A, "Never Pressed"))
    files, sleeve = write(tmp_path, sleeve_text(A=listed), "A")
    result = run(tmp_path, files, sleeve)
    found = read_back(result)
    assert_none_wrong(found)
    assert [each.title for each in found] == [f"Side A, track {n}" for n in range(1, 5)]
    assert acts(result) == ["untitled-track"]
    chosen = read_back(run(tmp_path, files, sleeve, titles="printed", out="again"))
    assert [each.title for each in chosen] == [each.music for each in chosen] == list(A)


def test_another_order_is_noticed_and_put_right_with_one_choice(tmp_path: Path) -> None:
    order = ("Dew on the Crates", "Half a Mile", "Second Sight", "Low Water")
    files, sleeve = write(tmp_path, sleeve_text(A={title: A[title] for title in order}), "A")
    result = run(tmp_path, files, sleeve)
    assert_none_wrong(read_back(result))
    assert acts(result) == ["track-order"]
    heard = run(tmp_path, files, sleeve, titles="heard", out="heard")
    assert [each.title for each in read_back(heard)] == list(A)
    assert acts(heard) == []
    assert_agree(heard)


def test_two_files_swapped_are_noticed_and_put_right_with_one_choice(tmp_path: Path) -> None:
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=B), "B", "A")
    result = run(tmp_path, files, sleeve)
    assert_none_wrong(read_back(result))
    assert acts(result) == ["other-side", "other-side"]
    right = run(tmp_path, files, sleeve, letters="B,A", out="right")
    found = read_back(right)
    assert sorted(each.title for each in found) == sorted([*A, *B])
    assert all(each.title == each.music for each in found)
    assert acts(right) == []


def test_a_side_that_fits_its_printed_times_is_doubted_where_another_seems_to_be_it(tmp_path: Path) -> None:
    """Of two files swapped the second fits the other side's times by chance: its titles would be of other music."""
    misprinted = A | {"Second Sight": 44.0, "Low Water": 9.0}
    files, sleeve = write(tmp_path, sleeve_text(A=misprinted, B=ALIKE), "C", "A")
    result = run(tmp_path, files, sleeve, letters="A,B")
    assert_none_wrong(read_back(result))
    assert acts(result) == ["other-side", "other-side"]
    shelf = tmp_path / "shelf"
    adopt(files, shelf=shelf, sleeve_path=sleeve)
    options = TransferOptions(kinds="lossless", replace=True)
    result, _ = copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
    assert_none_wrong(read_back(result))
    result, _ = copy_record(
        shelf, "small hours", options=replace(options, titles="printed"), recipe=UNTOUCHED
    )
    assert [each.title for each in read_back(result)] == [*misprinted, *ALIKE]
    assert acts(result) == []


def test_one_recording_is_not_named_by_the_length_of_the_side_alone(tmp_path: Path) -> None:
    """Of two sides as long as each other the printed times of the tracks decide, and where they cannot, nothing is named."""
    alike = {"North Quay": 17.0, "Ferry Bell": 14.0, "Salt Stair": 13.0, "Tar Lane": 14.0}
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=alike), "A")
    result = run(tmp_path, files, sleeve)
    assert_none_wrong(read_back(result))
    same = dict(zip(alike, A.values(), strict=True))
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=same), "A")
    result = run(tmp_path, files, sleeve, out="same")
    assert_none_wrong(read_back(result))
    assert acts(result) == ["untitled-track"]
    right = run(tmp_path, files, sleeve, letters="A", out="right")
    assert [each.title for each in read_back(right)] == list(A)


def test_sides_swapped_on_the_shelf_are_put_right_with_one_choice(tmp_path: Path) -> None:
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=B), "B", "A")
    shelf = tmp_path / "shelf"
    adopt(files, shelf=shelf, sleeve_path=sleeve)
    options = TransferOptions(kinds="lossless", replace=True)
    result, _ = copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
    assert acts(result) == ["other-side", "other-side"]
    assert_none_wrong(read_back(result))
    assert main(["shelf", "--shelf", str(shelf), "swap", "small hours", "A", "B"]) == 0
    result, _ = copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
    assert acts(result) == []
    assert sorted(each.title for each in read_back(result)) == sorted([*A, *B])
    assert all(each.title == each.music for each in read_back(result))
    assert_agree(result)


def test_one_file_given_twice_is_noticed(tmp_path: Path) -> None:
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=B), "A", "A")
    result = run(tmp_path, files, sleeve)
    assert_none_wrong(read_back(result))
    assert "same-sound" in acts(result)
    untimed, sleeve = write(tmp_path, sleeve_text(A=dict.fromkeys(A), B=dict.fromkeys(B)), "A", "A")
    result = run(tmp_path, untimed, sleeve, out="untimed")
    assert_none_wrong(read_back(result))
    assert acts(result).count("same-sound") == 2


def test_one_side_played_twice_is_noticed(tmp_path: Path) -> None:
    """The second side's times fit as well, and the two recordings have no sample in common."""
    twin = {title: length + 0.6 for title, length in zip(B, A.values(), strict=False)} | {"Ebb": 16.4}
    files, sleeve = write(tmp_path, sleeve_text(A=A, B=twin), "A", "A")
    rate_hz = 32_000  # the treble helps to know the music again
    once = pressed("A", rate_hz).audio
    again = signal.resample_poly(once, 1003, 1000, axis=0)[rate_hz // 3 :]
    again = 0.7 * again + np.random.default_rng(5).normal(0.0, 3e-4, again.shape)
    for path, audio in zip(files, (once, again), strict=True):
        soundfile.write(path, audio, rate_hz, subtype="PCM_24")
    result = run(tmp_path, files, sleeve)
    assert acts(result).count("same-music") == 2
    assert all(each.title.startswith("Side ") for each in read_back(result))


def test_a_recording_that_begins_in_the_middle_gets_no_title_by_counting(tmp_path: Path) -> None:
    files, sleeve = write(tmp_path, sleeve_text(A=A), "A")
    starts = [track.start_frame for track in pressed("A").truth.tracks]
    soundfile.write(files[0], pressed("A").audio[starts[1] + 8 * RATE_HZ :], RATE_HZ, subtype="PCM_24")
    result = run(tmp_path, files, sleeve, letters="A")
    assert_none_wrong(read_back(result))
    assert "untitled-track" in acts(result)


def test_side_b_played_first_in_one_file_is_noticed(tmp_path: Path) -> None:
    pause = np.random.default_rng(9).normal(0.0, 10.0 ** (-86 / 20), (RATE_HZ, 2))
    _, sleeve = write(tmp_path, sleeve_text(A=A, B=B))
    both = tmp_path / "both.wav"
    audio = np.concatenate([pressed("B").audio, pause, pressed("A").audio])
    soundfile.write(both, audio, RATE_HZ, subtype="PCM_24")
    result = run(tmp_path, [both], sleeve)
    assert_none_wrong(read_back(result))
    assert acts(result) == ["other-side", "other-side"]
    right = run(tmp_path, [both], sleeve, letters="BA", out="right")
    assert all(each.title == each.music for each in read_back(right))
    assert acts(right) == []


@pytest.mark.parametrize("case", ["never pressed", "unlisted"])
def test_a_second_run_on_the_shelf_spoils_nothing(tmp_path: Path, case: str) -> None:
    listed = {"Dew on the Crates": 12.0, "Never Pressed": 50.0, **A}
    if case == "unlisted":
        listed = {title: length for title, length in A.items() if title != "Second Sight"}
    files, sleeve = write(tmp_path, sleeve_text(A=listed), "A")
    shelf = tmp_path / "shelf"
    adopt(files, shelf=shelf, sleeve_path=sleeve)
    options = TransferOptions(kinds="lossless")
    names, cuts = [], []
    for _ in range(3):
        result, _ = copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
        names.append([each.title for each in read_back(result)])
        assert_none_wrong(read_back(result))
        assert_agree(result)
        cuts.append((shelf / "Vesna Or Nobody - Small Hours (1987)" / "cuts.toml").read_text("utf-8"))
    assert all(one == other for one, other in itertools.pairwise(names))
    assert all(one == other for one, other in itertools.pairwise(cuts))


def test_a_title_written_into_the_cuts_is_kept_and_ends_the_finding(tmp_path: Path) -> None:
    listed = {title: length for title, length in A.items() if title != "Second Sight"}
    files, sleeve = write(tmp_path, sleeve_text(A=listed), "A")
    shelf = tmp_path / "shelf"
    adopt(files, shelf=shelf, sleeve_path=sleeve)
    options = TransferOptions(kinds="lossless", replace=True)
    copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
    path = shelf / "Vesna Or Nobody - Small Hours (1987)" / "cuts.toml"
    path.write_text(path.read_text("utf-8").replace('title = ""', 'title = "Second Sight"'), "utf-8")
    for _ in range(2):
        result, _ = copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
        assert [each.title for each in read_back(result)] == list(A)
        assert acts(result) == []
        assert_agree(result)


def test_a_choice_of_titles_on_the_shelf_lasts(tmp_path: Path) -> None:
    order = ("Dew on the Crates", "Half a Mile", "Second Sight", "Low Water")
    files, sleeve = write(tmp_path, sleeve_text(A={title: A[title] for title in order}), "A")
    shelf = tmp_path / "shelf"
    adopt(files, shelf=shelf, sleeve_path=sleeve)
    for titles in ("sure", "heard", "sure"):
        options = TransferOptions(kinds="lossless", replace=True, titles=titles)  # type: ignore[arg-type]
        result, _ = copy_record(shelf, "small hours", options=options, recipe=UNTOUCHED)
        assert_none_wrong(read_back(result))
    assert [each.title for each in read_back(result)] == list(A)
    assert acts(result) == []
