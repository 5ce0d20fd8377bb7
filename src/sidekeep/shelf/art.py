"""The pictures in a record's ``art`` folder: at most one of every kind.

``front``, ``back``, ``label`` and ``other`` by their own names come first. Any other name counts too: with ``back`` or
``label`` in it, it is that; the first other one is the front. What lies in folders below, such as the originals, is passed over.
"""

from __future__ import annotations

from pathlib import Path

from sidekeep.files.pictures.artwork import PictureKind

PICTURES = (".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".bmp")
ORIGINALS = "originals"
"""Folder of pictures as they came in, ``front.picture`` and so on."""
KINDS: tuple[PictureKind, ...] = ("front", "back", "label", "other")


def art_files(record_folder: Path) -> dict[PictureKind, Path]:
    """The picture of every kind, the front first."""
    art = record_folder / "art"
    paths = sorted(path for path in art.iterdir() if _is_picture(path)) if art.is_dir() else []
    found: dict[PictureKind, Path] = {}
    for path in paths:
        for kind in KINDS:
            if path.stem.lower() == kind:
                found.setdefault(kind, path)
    for path in paths:
        stem = path.stem.lower()
        if stem not in KINDS:
            found.setdefault("back" if "back" in stem else "label" if "label" in stem else "front", path)
    return {kind: found[kind] for kind in KINDS if kind in found}


def scan_of(record_folder: Path, kind: PictureKind, path: Path) -> Path:
    """The picture as it was scanned or photographed, where that is kept beside the one made of it."""
    original = record_folder / "art" / ORIGINALS / f"{kind}.picture"
    return original if path.stem == kind and original.is_file() else path


def _is_picture(path: Path) -> bool:
    """A file by the name of a picture; a pipe of that name would be waited for."""
    return path.suffix.lower() in PICTURES and path.is_file()
