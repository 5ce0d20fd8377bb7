"""Recordings that are adopted: with their picture at once, and once only."""

from __future__ import annotations

import errno
import io
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.errors import AudioFileError, CopyError, ParameterError, ShelfError
from sidekeep.files import atomic, checksum
from sidekeep.files.reading.reader import open_take
from sidekeep.service.mend import mend_file
from sidekeep.service.shelf import adopting
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.pyramids import PEAKS
from sidekeep.service.shelf.records import list_records
from sidekeep.service.survey import survey_file
from sidekeep.shelf.record_folder import RecordFolder
from tests.small_record import small_record


def test_adopted_takes_have_their_peaks(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    files, sleeve = small_record().write(tmp_path / "in", "pieces")
    adopted = adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve, side_letters=["A", "A", "B"])
    assert len(adopted.takes) == 2
    for take, pressed in zip(adopted.takes, (small_record().a, small_record().b), strict=True):
        folder = adopted.folder.path / take.folder
        peaks = PEAKS.kept(folder, open_take([folder / file.name for file in take.files]))
        assert peaks is not None
        assert abs(float(peaks.levels[0][..., 1].max()) - pressed.audio.max()) < 1e-4
        assert np.isfinite(peaks.levels[0]).all()


def test_adopting_twice_brings_nothing_in_twice(tmp_path: Path) -> None:
    files, sleeve = small_record().write(tmp_path)
    adopted = adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve)
    with pytest.raises(ShelfError) as caught:
        adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve)
    assert caught.value.code == "adopted-before"
    assert [entry.folder for entry in list_records(tmp_path / "shelf")] == [adopted.folder.path.name]
    again = adopt(files[:1], shelf=tmp_path / "shelf", record_name="small hours", side_letters=["A"])
    assert [take.folder_name for take in again.takes] == ["A-2"]


def test_one_recording_given_as_two_sides_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files, sleeve = small_record().write(tmp_path)
    sound, rate_hz = soundfile.read(files[0], dtype="int32", always_2d=True)
    soundfile.write(tmp_path / "other.flac", sound, rate_hz, subtype="PCM_24")
    words = ["--sleeve", str(sleeve), "--sides", "A,B"]
    shelf = ["--shelf", str(tmp_path / "shelf")]
    assert main(["adopt", str(files[0]), str(tmp_path / "other.flac"), *words, *shelf]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "Act: other.flac and side-A.wav hold the same recording" in said
    # A side that differs in one sample is another.
    sound[-1, 1] ^= 1 << 20
    soundfile.write(tmp_path / "third.wav", sound, rate_hz, subtype="PCM_24")
    assert (
        main(["adopt", str(tmp_path / "third.wav"), "--record", "small hours", "--sides", "B", *shelf]) == 0
    )


def held_up(monkeypatch: pytest.MonkeyPatch) -> tuple[threading.Event, Callable[..., None]]:
    """Nothing is copied before another call waits, which its progress tells; the event says that one has begun to."""
    copying, is_waited_for = threading.Event(), threading.Event()
    whole = adopting.adopt_take

    def slow(*given: object, **facts: object) -> object:
        copying.set()
        assert is_waited_for.wait(120.0)
        return whole(*given, **facts)  # type: ignore[arg-type]

    def progress(share: float, doing: str = "") -> None:
        if doing.startswith("waiting"):
            is_waited_for.set()

    monkeypatch.setattr(adopting, "adopt_take", slow)
    return copying, progress


def test_the_same_adopted_twice_at_once_comes_in_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second call finds the record while the first copies into it, and has to wait."""
    files, sleeve = small_record().write(tmp_path)
    copying, progress = held_up(monkeypatch)
    made: list[adopting.Adopted] = []
    first = threading.Thread(
        target=lambda: made.append(adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve))
    )
    first.start()
    assert copying.wait(120.0)
    with pytest.raises(ShelfError) as caught:
        adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve, progress=progress)
    first.join()
    assert caught.value.code == "adopted-before"
    assert [take.folder_name for take in made[0].folder.takes()] == ["A-1", "B-1"]
    assert len(list_records(tmp_path / "shelf")) == 1


def test_other_recordings_of_the_same_record_at_the_same_moment_get_a_record_of_their_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As they would a moment later."""
    files, sleeve = small_record().write(tmp_path)
    (tmp_path / "other").mkdir()
    others = []
    for path in files:
        sound, rate_hz = soundfile.read(path, dtype="int32")
        others.append(tmp_path / "other" / path.name)
        soundfile.write(others[-1], sound[:-7], rate_hz, subtype="PCM_24")
    copying, progress = held_up(monkeypatch)
    first = threading.Thread(target=lambda: adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve))
    first.start()
    assert copying.wait(120.0)
    second = adopt(others, shelf=tmp_path / "shelf", sleeve_path=sleeve, progress=progress)
    first.join()
    assert second.folder.path.name.endswith("[2]")
    assert [take.folder_name for take in second.folder.takes()] == ["A-1", "B-1"]
    assert len(list_records(tmp_path / "shelf")) == 2


def test_a_record_is_made_once_by_two_that_bring_it_in_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, sleeve = small_record().write(tmp_path)
    making, looked = threading.Event(), threading.Event()
    plan, find = adopting.plan_record, adopting.planned_before

    def slow(*given: object) -> object:
        making.set()
        looked.wait(3.0)  # the other one looks meanwhile, or waits for its turn to look
        return plan(*given)  # type: ignore[arg-type]

    def noted(*given: object) -> object:
        found = find(*given)  # type: ignore[arg-type]
        if making.is_set():
            looked.set()
        return found

    monkeypatch.setattr(adopting, "plan_record", slow)
    monkeypatch.setattr(adopting, "planned_before", noted)
    ended: list[str] = []

    def bring_in() -> None:
        try:
            ended.append(adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve).folder.path.name)
        except ShelfError as error:
            ended.append(error.code)

    first, second = threading.Thread(target=bring_in), threading.Thread(target=bring_in)
    first.start()
    assert making.wait(120.0)
    second.start()
    first.join()
    second.join()
    (entry,) = list_records(tmp_path / "shelf")
    assert sorted(ended) == sorted([entry.folder, "adopted-before"])


def test_a_recording_that_the_named_record_holds_is_not_brought_in_again_unless_its_side_is_said(
    tmp_path: Path,
) -> None:
    files, sleeve = small_record().write(tmp_path)
    shelf = tmp_path / "shelf"
    folder = adopt(files, shelf=shelf, sleeve_path=sleeve).folder
    for again in (files, files[1:]):
        with pytest.raises(ShelfError) as caught:
            adopt(again, shelf=shelf, record_name="small hours")
        assert caught.value.code == "record-holds-them"
    assert [take.folder_name for take in folder.takes()] == ["A-1", "B-1"]
    adopt(files[1:], shelf=shelf, record_name="small hours", side_letters=["B"])
    assert [take.folder_name for take in folder.takes()] == ["A-1", "B-1", "B-2"]


def test_adopting_that_was_broken_off_goes_on_and_the_shelf_knows_of_both(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files, sleeve = small_record().write(tmp_path)
    whole = adopting.adopt_take

    def full_at_b(folder: object, side: str, *others: object, **facts: object) -> object:
        if side == "B":
            raise CopyError("disk-full", path="B")
        return whole(folder, side, *others, **facts)  # type: ignore[arg-type]

    with monkeypatch.context() as context:
        context.setattr(adopting, "adopt_take", full_at_b)
        with pytest.raises(CopyError):
            adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve)
    assert [entry.state for entry in list_records(tmp_path / "shelf")] == ["partly taken"]
    adopted = adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve)
    assert [take.folder for take in adopted.takes] == ["takes/A-1", "takes/B-1"]
    assert [entry.state for entry in list_records(tmp_path / "shelf")] == ["taken"]


def test_moving_that_is_broken_off_goes_on_and_leaves_no_original(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "in").mkdir()
    files, sleeve = small_record().write(tmp_path / "in")
    whole = adopting.adopt_take

    def stopped_after_it(*given: object, **facts: object) -> object:
        whole(*given, **facts)  # type: ignore[arg-type]
        raise KeyboardInterrupt

    for _ in files:
        with monkeypatch.context() as context:
            context.setattr(adopting, "adopt_take", stopped_after_it)
            with pytest.raises(KeyboardInterrupt):
                adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve, move=True)
        assert all(path.exists() for path in files)
    (kept,) = (tmp_path / "shelf").glob("*/takes/B-1/take.wav")
    kept.chmod(0o644)
    sound = kept.read_bytes()
    kept.write_bytes(sound[:-1] + bytes([sound[-1] ^ 1]))
    with pytest.raises(
        ShelfError
    ) as caught:  # what lies on the shelf is read again before anything is removed
        adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve, move=True)
    assert caught.value.code == "copy-reads-back-differently"
    assert all(path.exists() for path in files)
    kept.write_bytes(sound)
    adopted = adopt(files, shelf=tmp_path / "shelf", sleeve_path=sleeve, move=True)
    assert [take.folder for take in adopted.takes] == ["takes/A-1", "takes/B-1"]
    assert not any(path.exists() for path in files)


def test_of_a_flac_file_whose_sound_is_not_what_it_says_is_told_when_it_is_adopted_and_when_it_is_heard(
    tmp_path: Path,
) -> None:
    """Its MD5 is in bytes 26 to 42 (RFC 9639, section 8.2)."""
    path = tmp_path / "side.flac"
    soundfile.write(path, np.random.default_rng(2).uniform(-0.1, 0.1, (30_000, 2)), 44_100, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[30] ^= 1
    path.write_bytes(content)
    adopted = adopt([path], shelf=tmp_path / "shelf", side_letters=["A"])
    assert [finding.kind for finding in adopted.findings[0]] == ["own-sum-differs"]
    assert any(
        "side.flac is not what its own checksum says" in problem for problem in adopted.takes[0].problems
    )
    assert "own-sum-differs" in [finding.kind for finding in survey_file([path]).survey.findings]
    assert "own-sum-differs" in [finding.kind for finding in mend_file(path, tmp_path / "out.flac").findings]


def test_a_recording_for_a_record_that_has_takes_is_the_side_that_is_missing(tmp_path: Path) -> None:
    files = [tmp_path / f"{name}.wav" for name in ("first", "second", "third", "side A again")]
    for number, path in enumerate(files):
        soundfile.write(path, np.random.default_rng(number).normal(0.0, 0.05, (4410, 2)), 44_100)
    sleeve = tmp_path / "two.txt"
    sleeve.write_text("The Wicker Boats - Two (1971)\nSide A\nA1 Lamp Oil\nSide B\nB1 Gull\n")
    shelf = tmp_path / "shelf"
    adopt(files[:1], shelf=shelf, sleeve_path=sleeve, side_letters=["A"])
    adopted = adopt(files[1:2], shelf=shelf, record_name="two")
    assert [take.folder_name for take in adopted.takes] == ["B-1"]
    with pytest.raises(ParameterError) as caught:
        adopt(files[2:3], shelf=shelf, record_name="two")
    assert caught.value.code == "sides-unclear"
    assert str(caught.value).startswith("1 file for 2 sides on the sleeve: ")
    adopted = adopt(files[3:], shelf=shelf, record_name="two")
    assert [take.folder_name for take in adopted.takes] == ["A-2"]


def test_without_a_sleeve_too_adopting_goes_on_in_its_record_and_brings_nothing_in_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = [tmp_path / f"{name}.wav" for name in ("one", "two")]
    for number, path in enumerate(files):
        soundfile.write(path, np.random.default_rng(number).normal(0.0, 0.05, (4410, 2)), 44_100)
    shelf = tmp_path / "shelf"
    whole, calls = adopting.adopt_take, iter(["none", "first", "none", "first", "second"])

    def full(*given: object, **facts: object) -> object:
        if next(calls) == "none":
            raise CopyError("disk-full", path="take.wav")
        return whole(*given, **facts)  # type: ignore[arg-type]

    monkeypatch.setattr(adopting, "adopt_take", full)
    for _ in range(2):
        with pytest.raises(CopyError):
            adopt(files, shelf=shelf)
    adopted = adopt(files, shelf=shelf)
    assert [take.folder_name for take in adopted.takes] == ["A-1", "B-1"]
    assert [entry.folder for entry in list_records(shelf)] == ["one"]
    with pytest.raises(ShelfError) as caught:
        adopt(files, shelf=shelf)
    assert caught.value.code == "adopted-before"


def test_a_recording_that_cannot_be_read_is_named_and_not_the_disk_it_goes_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "one.wav"
    soundfile.write(path, np.zeros((4410, 2)), 44_100)

    class Torn(io.FileIO):
        def read(self, size: int | None = -1) -> bytes:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    plain = open

    def opened(name: Path, mode: str = "r", **kind: Any) -> Any:
        return Torn(name) if kind == {"buffering": 0} else plain(name, mode, **kind)

    monkeypatch.setattr(checksum, "open", opened, raising=False)
    with pytest.raises(AudioFileError) as caught:
        adopt([path], shelf=tmp_path / "shelf")
    assert caught.value.code == "recording-unread"
    assert caught.value.facts["path"] == str(path)


KILLED_AT = """
import os, signal, sys
from sidekeep.cli.main import main
at, steps = int(sys.argv[1]), ["rename", "link", "mkdir", "fsync"]
def counted(whole):
    def step(*given, **kind):
        global at
        at -= 1
        if at == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return whole(*given, **kind)
    return step
for name in steps:
    setattr(os, name, counted(getattr(os, name)))
main(sys.argv[2:])
"""


@pytest.mark.parametrize("at", range(2, 34, 4))
def test_killed_at_any_step_nothing_half_is_left_and_the_same_call_brings_in_what_is_missing(
    tmp_path: Path, at: int, capsys: pytest.CaptureFixture[str]
) -> None:
    path, sleeve, shelf = tmp_path / "one.wav", tmp_path / "one.txt", tmp_path / "shelf"
    soundfile.write(path, np.random.default_rng(1).normal(0.0, 0.05, (4410, 2)), 44_100)
    sleeve.write_text("The Wicker Boats - One (1971)\nSide A\nA1 Lamp Oil\n")
    call = ["adopt", str(path), "--sleeve", str(sleeve), "--shelf", str(shelf)]
    subprocess.run([sys.executable, "-c", KILLED_AT, str(at), *call], capture_output=True, timeout=120)
    if shelf.exists():
        assert main(["verify", "--shelf", str(shelf)]) == 0, capsys.readouterr().out
    assert main(call) in (0, 2)  # 2: it was all there
    assert main(["verify", "--shelf", str(shelf)]) == 0, capsys.readouterr().out
    (entry,) = list_records(shelf)
    assert [take.folder_name for take in RecordFolder(shelf / entry.folder).takes()] == ["A-1"]


@pytest.mark.parametrize("name", ["sleeve.txt", "take.wav", "take.json"])
def test_a_disk_that_fails_is_told_by_the_name_the_file_would_have(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "one.wav"
    soundfile.write(path, np.zeros((4410, 2)), 44_100)
    whole = atomic.flush_file

    def fails(part: Path) -> None:
        if part.name.startswith(f"{name}."):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        whole(part)

    monkeypatch.setattr(atomic, "flush_file", fails)
    with pytest.raises(CopyError) as caught:
        adopt([path], shelf=tmp_path / "shelf")
    place = tmp_path / "shelf" / "one"
    assert caught.value.facts["path"] == str(place / (name if name == "sleeve.txt" else f"takes/A-1/{name}"))
