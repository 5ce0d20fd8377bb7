"""The master of a record on the shelf holds all that is known of it; read back by wavinfo, bagit and by hand."""

from __future__ import annotations

import io
import xml.etree.ElementTree as Tree
from datetime import date
from pathlib import Path

import bagit
import pytest
import soundfile
from PIL import Image
from wavinfo import WavInfoReader

from sidekeep.files.wave.chunks import survey_chunks
from sidekeep.service.choices.kinds import facts_from
from sidekeep.service.shelf import records as shelf_service
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.transferred import TransferOptions
from tests.small_record import small_record

OPTIONS = TransferOptions(kinds="master", facts=facts_from(comment="fine line stylus, moving magnet"))


def scan(colour: str) -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (90, 70), colour).save(out, "PNG")
    return out.getvalue()


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("master")
    files, sleeve = small_record().write(folder)
    # A recording without a bext chunk: its samples go into a file made for the bag.
    audio, rate_hz = soundfile.read(files[0], dtype="int32")
    soundfile.write(files[0], audio, rate_hz, subtype="PCM_24", format="WAV")
    first, *rest = sleeve.read_text("utf-8").splitlines()
    sleeve.write_text("\n".join([first.replace(" - ", " Łódź - ", 1), *rest, ""]), "utf-8")
    adopt(files[:1], shelf=folder / "shelf", sleeve_path=sleeve, side_letters=("A",), stylus="elliptic, 40 h")
    path = shelf_service.find_record(folder / "shelf", "small hours").path
    (path / "art" / "originals").mkdir(parents=True)
    (path / "art" / "front.png").write_bytes(scan("teal"))
    (path / "art" / "originals" / "front.picture").write_bytes(scan("red"))
    (path / "art" / "label.png").write_bytes(scan("blue"))
    copy_record(folder / "shelf", "small hours", options=OPTIONS)
    return path


@pytest.fixture(scope="module")
def bag(record: Path) -> Path:
    return next((record / "copies").glob("*/master"))


def test_bext_is_dated_and_measured(bag: Path) -> None:
    info = WavInfoReader(str(bag / "data" / "takes" / "side A.wav"))
    assert info.bext.originator_date[:2] == "20"
    assert len(info.bext.originator_time) == 8
    assert -60.0 < info.bext.loudness_value < 0.0
    assert info.bext.loudness_range >= 0.0
    assert -40.0 < info.bext.max_true_peak < 6.0
    assert "T=turntable; elliptic; 40 h; fine line stylus; moving magnet" in info.bext.coding_history
    assert "Lodz" in info.bext.description


def test_names_stand_in_full_in_ixml(bag: Path) -> None:
    path = bag / "data" / "takes" / "side A.wav"
    with open(path, "rb") as file:
        layout = survey_chunks(file)
    assert layout is not None
    assert layout.verdict == "sound"
    info = WavInfoReader(str(path))
    assert "Łódź" in info.ixml.project
    assert info.ixml.tape == "side A"
    beside = Tree.parse(bag / "data" / "side A.xml").getroot()
    assert beside.findtext("PROJECT") == info.ixml.project
    assert beside.findtext("USER/STYLUS") == "elliptic, 40 h"
    assert "Łódź" in (beside.findtext("BEXT/BWF_DESCRIPTION") or "")
    assert float(beside.findtext("LOUDNESS/LOUDNESS_VALUE") or 0) == pytest.approx(info.bext.loudness_value)


def test_the_samples_are_those_of_the_take(record: Path, bag: Path) -> None:
    got, _ = soundfile.read(bag / "data" / "takes" / "side A.wav", dtype="int32")
    wanted, _ = soundfile.read(record / "takes" / "A-1" / "take.wav", dtype="int32")
    assert (got == wanted).all()


def test_pictures_as_scanned_and_the_sleeve_as_typed(record: Path, bag: Path) -> None:
    pictures = bag / "data" / "pictures"
    assert (pictures / "front.png").read_bytes() == scan("red")
    assert (pictures / "label.png").read_bytes() == scan("blue")
    typed = (bag / "data" / "sleeve as typed.txt").read_text("utf-8")
    assert typed == (record / "sleeve.txt").read_text("utf-8")


def test_bag_info_tells_day_and_software(bag: Path) -> None:
    made = bagit.Bag(str(bag))
    assert made.is_valid()
    date.fromisoformat(made.info["Bagging-Date"])
    assert made.info["Bag-Software-Agent"].startswith("sidekeep ")
    assert "Łódź" in made.info["External-Description"]


def test_another_day_does_not_make_another_bag(
    record: Path, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sidekeep.service.transfers import writing as room

    class Tomorrow(date):
        @classmethod
        def today(cls) -> Tomorrow:
            return cls(2031, 1, 2)

    before = {path: path.read_bytes() for path in bag.rglob("*.txt")}
    monkeypatch.setattr(room, "date", Tomorrow)
    result, _ = copy_record(record.parent, "small hours", options=OPTIONS)
    assert {each.action for each in result.written} == {"kept"}
    assert {path: path.read_bytes() for path in bag.rglob("*.txt")} == before
