"""What a person chose of the form of copies: word length, rate, bit rate, folders, pictures; read back by others."""

from __future__ import annotations

import io
import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.flac import FLAC
from mutagen.wave import WAVE
from PIL import Image

from sidekeep.copies.kinds.forms import BIT_RATES, Form, read_forms
from sidekeep.copies.kinds.table import KINDS
from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import prepare_picture
from sidekeep.model.recipe import CopySettings
from tests.copies.feeder import FOLDER, Feeder, decoded, record


def art(kind: str, colour: str = "teal") -> object:
    out = io.BytesIO()
    Image.new("RGB", (90, 70), colour).save(out, "PNG")
    return prepare_picture(out.getvalue(), kind)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("wish", "form"),
    [
        ("lossless=16", Form(bits=16)),
        ("wav = 24, 48000", Form(bits=24, rate_hz=48_000)),
        ("portable=good", Form(kbit_per_s=256)),
        ("aac=192", Form(kbit_per_s=192)),
        ("portable-small=Small", Form(kbit_per_s=165)),
    ],
)
def test_wishes(wish: str, form: Form) -> None:
    assert list(read_forms([wish]).values()) == [form]


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        ("lossless", "an equals sign"),
        ("lossless=", "an equals sign"),
        ("shellac=16", "no kind of copies"),
        ("lossless=20", "must be 16 or 24"),
        ("portable=200", "96, 112, 128"),
        ("phone=900", "48 to 450"),
        ("portable-small=200", "165, 190, 245"),
        ("cd=24", "one form only"),
        ("aac=١٩٢", "must be small"),
    ],
)
def test_a_wrong_wish_is_one_sentence(wish: str, said: str) -> None:
    with pytest.raises(ParameterError, match=said):
        read_forms([wish])


def test_every_lossy_kind_has_its_names() -> None:
    codecs = {kind.codec for kind in KINDS.values() if kind.is_lossy}
    assert codecs == set(BIT_RATES)
    for codec in codecs:
        assert list(BIT_RATES[codec]) == ["small", "good", "best"]


def test_16_bits_stay_16_unless_wanted_otherwise(tmp_path: Path) -> None:
    """A take of 16 bits beside one of 24: each keeps its own; reduced ones are dithered (never bare rounding)."""
    feeder = Feeder(tmp_path, lengths=((9_607,), (9_511,)), record=record((("One",), ("Two",))))
    feeder.sides[0] = replace(feeder.sides[0], bits=16)
    feeder.copies("lossless,wav,alac,record", settings=CopySettings(forms=("wav=24",)))
    folder = tmp_path / FOLDER
    found = {
        kind: [soundfile.info(str(path)).subtype for path in sorted((folder / kind).glob("*.[fw]*"))]
        for kind in ("lossless", "wav", "record")
    }
    assert found == {
        "lossless": ["PCM_16", "PCM_24"],
        "wav": ["PCM_24", "PCM_24"],
        "record": ["PCM_24"],
    }
    first = decoded(next((folder / "lossless").glob("01*")))
    rest = first - feeder.played(0)
    # TPDF dither and rounding: three times the power of rounding alone (Lipshitz, Wannamaker, Vanderkooy 1992).
    assert np.mean(rest**2) * 2**30 == pytest.approx(3 / 12, rel=0.1)


@pytest.mark.outside
def test_bit_rates_are_those_wished_for(tmp_path: Path, program: Callable[[str], str]) -> None:
    ffprobe = program("ffprobe")
    feeder = Feeder(tmp_path, lengths=((96_000,),), record=record((("One",),)))

    def kbit_per_s(kind: str, form: str) -> float:
        out = tmp_path / f"{kind} {form}"
        feeder.out = out
        feeder.copies(kind, settings=CopySettings(forms=(f"{kind}={form}",)))
        path = next((out / FOLDER / kind).glob("01*"))
        command = [ffprobe, "-v", "error", "-show_entries", "packet=size", "-of", "json", str(path)]
        packets = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)["packets"]
        return sum(int(each["size"]) for each in packets) * 8 / 2.0 / 1000

    assert kbit_per_s("portable", "192") == pytest.approx(192, rel=0.05)
    assert kbit_per_s("portable", "good") == pytest.approx(256, rel=0.05)
    assert kbit_per_s("portable-small", "small") < kbit_per_s("portable-small", "best")
    assert kbit_per_s("aac", "small") < 0.75 * kbit_per_s("aac", "best")
    assert kbit_per_s("phone", "small") < 0.75 * kbit_per_s("phone", "best")


def test_a_folder_for_every_disc(tmp_path: Path) -> None:
    titles = (("Lamp Oil",), ("Tide Table",), ("Long Quay", "Ash"))
    feeder = Feeder(tmp_path, record=record(titles), lengths=((9_600,), (9_600,), (9_600, 9_600)))
    settings = CopySettings(disc_folders=True, front_file="both")
    pictures = [art("back", "red"), art("front"), art("label", "blue")]
    feeder.copies("lossless", settings=settings, pictures=pictures)
    folder = tmp_path / FOLDER / "lossless"
    names = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())
    beside = ["back.jpg", "cover.jpg", "folder.jpg", "label.jpg"]
    playlist = "Tallow Wharf Almanac.m3u8"
    assert names == sorted(
        [
            playlist,
            *beside,
            *(f"disc 1/{name}" for name in (playlist, "01 Lamp Oil.flac", "02 Tide Table.flac", *beside)),
            *(f"disc 2/{name}" for name in (playlist, "01 Long Quay.flac", "02 Ash.flac", *beside)),
        ]
    )
    lines = (folder / playlist).read_text("utf-8").splitlines()
    assert [line for line in lines if not line.startswith("#")] == [
        "disc 1/01 Lamp Oil.flac",
        "disc 1/02 Tide Table.flac",
        "disc 2/01 Long Quay.flac",
        "disc 2/02 Ash.flac",
    ]
    lines = (folder / "disc 2" / playlist).read_text("utf-8").splitlines()
    assert [line for line in lines if not line.startswith("#")] == ["01 Long Quay.flac", "02 Ash.flac"]
    kinds = {picture.type for picture in FLAC(folder / "disc 1" / "01 Lamp Oil.flac").pictures}
    assert kinds == {3, 4}


def test_side_b_alone_leaves_the_lists_of_discs_whole(tmp_path: Path) -> None:
    titles = (("Lamp Oil",), ("Tide Table",), ("Long Quay",))
    feeder = Feeder(tmp_path, record=record(titles), lengths=((9_600,), (9_600,), (9_600,)))
    settings = CopySettings(disc_folders=True)
    feeder.copies("lossless", settings=settings)
    folder = tmp_path / FOLDER / "lossless"
    before = {path: path.read_bytes() for path in folder.rglob("*.m3u8")}
    assert len(before) == 3
    alone = replace(feeder.sides[1], source_key="take-2")
    feeder.sides, feeder.takes = [alone], [feeder.takes[1]]
    feeder.copies("lossless", settings=settings, elsewhere={"A": 1, "C": 1}, replace_existing=True)
    assert {path: path.read_bytes() for path in folder.rglob("*.m3u8")} == before


def test_a_picture_within_its_bytes(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).integers(0, 256, (900, 900, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "PNG")
    free = prepare_picture(out.getvalue())
    held = prepare_picture(out.getvalue(), maximum_bytes=60_000)
    assert len(free.data) > 300_000
    assert len(held.data) <= 60_000
    assert Image.open(io.BytesIO(held.data)).size == (held.width, held.height)
    assert held.width > 100


def test_a_cd_with_pictures_when_wanted(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, lengths=((193_000,),), record=record((("One",),)))
    feeder.copies("cd", settings=CopySettings(cd_picture=True), pictures=[art("front")])
    tags = WAVE(tmp_path / FOLDER / "cd" / "01 One.wav").tags
    assert tags is not None
    assert len(tags.getall("APIC")) == 1
    assert (tmp_path / FOLDER / "cd" / "cover.jpg").exists()
