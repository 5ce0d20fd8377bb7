"""Bags (RFC 8493) in the eyes of the bagit package, with broken ones of every sort."""

from __future__ import annotations

import hashlib
import logging
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sidekeep.copies.kept.bag import decode_path, encode_path, make_bag, read_bag_info, read_bag_manifest
from sidekeep.copies.kept.verify import verify_folder
from sidekeep.errors import CopyError
from tests.outside import library

bagit = library("bagit")


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    folder = tmp_path / "bag"
    (folder / "data" / "takes").mkdir(parents=True)
    (folder / "data" / "takes" / "side A.wav").write_bytes(np.arange(5000, dtype="<i2").tobytes())
    (folder / "data" / "sleeve.txt").write_text("Grüße\n", "utf-8")
    (folder / "data" / "a b.txt").write_text("x", "utf-8")
    make_bag(
        folder, {"Source-Organization": "Umberlatch\nHall", "Bagging-Date": "2026-11-25", "Contact-Name": ""}
    )
    return folder


def test_the_package_finds_it_valid(bag: Path) -> None:
    found = bagit.Bag(str(bag))
    assert found.is_valid()
    assert found.version_info == (1, 0)
    assert found.encoding == "UTF-8"
    assert found.info["Source-Organization"] == "Umberlatch Hall"
    assert found.info["Payload-Oxum"] == "10009.3"
    assert "Contact-Name" not in found.info
    assert sorted(found.payload_files()) == ["data/a b.txt", "data/sleeve.txt", "data/takes/side A.wav"]
    assert verify_folder(bag).ok


def test_the_declaration_byte_by_byte(bag: Path) -> None:
    """RFC 8493 section 2.1.1: two lines, UTF-8, no byte order mark."""
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    lines = (bag / "manifest-sha256.txt").read_text("utf-8").splitlines()
    assert all(len(line.split("  ")[0]) == 64 for line in lines)
    # RFC 8493 section 2.1.3: a blank stays as it is.
    assert next(line.split("  ", 1)[1] for line in lines) == "data/a b.txt"


def _flip(bag: Path) -> None:
    path = bag / "data" / "takes" / "side A.wav"
    data = bytearray(path.read_bytes())
    data[4711] ^= 4
    path.write_bytes(data)


def _lose(bag: Path) -> None:
    (bag / "data" / "sleeve.txt").unlink()


def _add(bag: Path) -> None:
    (bag / "data" / "more.txt").write_text("more", "utf-8")


def _touch_info(bag: Path) -> None:
    (bag / "bag-info.txt").write_text("Source-Organization: someone else\n", "utf-8")


def _wrong_oxum(bag: Path) -> None:
    text = (bag / "bag-info.txt").read_text("utf-8").replace("10009.3", "10008.3")
    (bag / "bag-info.txt").write_text(text, "utf-8")
    sums = read_bag_manifest((bag / "tagmanifest-sha256.txt").read_text("utf-8"), "tags")
    sums["bag-info.txt"] = hashlib.sha256(text.encode()).hexdigest()
    lines = "".join(f"{digest}  {path}\n" for path, digest in sums.items())
    (bag / "tagmanifest-sha256.txt").write_text(lines, "utf-8")


def _drop_manifest(bag: Path) -> None:
    (bag / "manifest-sha256.txt").unlink()


def _wrong_declaration(bag: Path) -> None:
    (bag / "bagit.txt").write_text("BagIt-Version: x\n", "utf-8")


@pytest.mark.parametrize(
    "harm", [_flip, _lose, _add, _touch_info, _wrong_oxum, _drop_manifest, _wrong_declaration]
)
def test_both_find_every_harm(bag: Path, harm: Callable[[Path], None]) -> None:
    harm(bag)
    logging.disable(logging.CRITICAL)
    try:
        try:
            theirs = bagit.Bag(str(bag)).is_valid()
        except bagit.BagError:
            theirs = False
    finally:
        logging.disable(logging.NOTSET)
    ours = verify_folder(bag)
    assert not theirs
    assert not ours.ok
    if harm is _flip:
        assert ours.changed == ("data/takes/side A.wav",)
    if harm is _lose:
        assert ours.missing == ("data/sleeve.txt",)
    if harm is _add:
        assert ours.extra == ("data/more.txt",)


def test_a_bag_made_by_the_package_verifies_here(tmp_path: Path) -> None:
    folder = tmp_path / "theirs"
    folder.mkdir()
    (folder / "side.wav").write_bytes(b"\1\2\3" * 999)
    logging.disable(logging.CRITICAL)
    try:
        bagit.make_bag(str(folder), {"Contact-Name": "A. Lind"}, checksums=["sha256", "sha512"])
        (folder / "bagit.txt").write_text("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "utf-8")
        found = bagit.Bag(str(folder))
        found.save(manifests=True)
    finally:
        logging.disable(logging.NOTSET)
    assert verify_folder(folder).ok
    shutil.copyfile(folder / "bagit.txt", folder / "data" / "side.wav")
    assert verify_folder(folder).changed == ("data/side.wav",)


def test_paths_and_damaged_lists() -> None:
    for path in ("data/a%0Ab", "data/a\nb\rc%25", "data/%%"):
        assert decode_path(encode_path(path)) == path
        assert "\n" not in encode_path(path)
    with pytest.raises(CopyError, match="line 1"):
        read_bag_manifest("zz  data/x\n", "manifest")
    with pytest.raises(CopyError, match="outside the bag"):
        read_bag_manifest("00  data/../../x\n", "manifest")


def test_percent_is_encoded(tmp_path: Path) -> None:
    """RFC 8493 section 2.1.3 asks for it; the bagit package does not decode it, so the master avoids it."""
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "100% odd.txt").write_text("x", "utf-8")
    make_bag(tmp_path, {})
    assert (tmp_path / "manifest-sha256.txt").read_text("utf-8").endswith("  data/100%25 odd.txt\n")
    assert verify_folder(tmp_path).ok


def test_an_empty_bag_or_a_wrong_label_is_refused(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    with pytest.raises(CopyError, match="nothing under data"):
        make_bag(tmp_path, {})
    (tmp_path / "data" / "x").write_bytes(b"x")
    with pytest.raises(CopyError, match="bag-info label"):
        make_bag(tmp_path, {"Bad: label": "x"})
    assert read_bag_info(tmp_path / "none") == {}
