"""BagIt bags (RFC 8493, version 1.0): a folder that says what it holds and can be checked by anyone.

``bagit.txt``, ``bag-info.txt``, the payload under ``data/``, ``manifest-sha256.txt`` over every payload file
and ``tagmanifest-sha256.txt`` over the tag files. Line feed, carriage return and percent in paths are
percent-encoded (RFC 8493, section 2.1.3). Nothing here reads the clock.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from sidekeep.errors import CopyError
from sidekeep.files.bounded import read_text_bounded
from sidekeep.files.checksum import file_sha256

DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*")


def payload_files(folder: Path) -> list[str]:
    """Paths of all files under ``data/``, from the bag, with ``/``, sorted."""
    return sorted(
        path.relative_to(folder).as_posix() for path in (folder / "data").rglob("*") if path.is_file()
    )


def make_bag(
    folder: Path, info: Mapping[str, str], *, known: Mapping[str, str] | None = None, threads: int = 2
) -> dict[str, str]:
    """Turn a folder that holds ``data/`` into a bag. Gives every file's checksum by its path in the bag.

    ``info`` goes into ``bag-info.txt`` in the order given; Payload-Oxum (bytes and files of the payload) is
    added. ``known`` are checksums of files that were read back a moment ago. ``OSError`` comes out as it is.
    """
    paths = payload_files(folder)
    if not paths:
        raise CopyError("bag-without-payload", folder=folder)
    with ThreadPoolExecutor(threads) as pool:
        fresh = [path for path in paths if path not in (known or {})]
        sums = dict(zip(fresh, pool.map(lambda path: file_sha256(folder / path), fresh), strict=True))
    sums = {path: sums[path] if path in sums else (known or {})[path] for path in paths}
    size_bytes = sum((folder / path).stat().st_size for path in paths)
    fields = {**info, "Payload-Oxum": f"{size_bytes}.{len(paths)}"}
    texts = {
        "bagit.txt": DECLARATION,
        "bag-info.txt": _info_text(fields),
        "manifest-sha256.txt": _sums_text(sums, paths),
    }
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode("utf-8"))
    tag_sums = {name: file_sha256(folder / name) for name in sorted(texts)}
    (folder / "tagmanifest-sha256.txt").write_bytes(_sums_text(tag_sums, tag_sums).encode("utf-8"))
    tag_sums["tagmanifest-sha256.txt"] = file_sha256(folder / "tagmanifest-sha256.txt")
    return {**sums, **tag_sums}


def read_bag_manifest(text: str, name: str) -> dict[str, str]:
    """Path to checksum from a manifest of a bag. Raises ``CopyError`` for a line that is none."""
    sums: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        found = re.fullmatch(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)", line)
        if not found or "\0" in line:
            raise CopyError("bag-line", name=name, line_number=number)
        path = decode_path(found[2])
        if path.startswith(("/", "~")) or ".." in path.split("/"):
            raise CopyError("bag-path", name=name, line_number=number, path=path)
        sums[path] = found[1].lower()
    return sums


def read_bag_info(folder: Path) -> dict[str, str]:
    """Fields of ``bag-info.txt``; empty when there is none. Lines that continue one are joined."""
    try:
        text = read_text_bounded(folder / "bag-info.txt", "bag-description", error=CopyError)
    except CopyError:
        return {}
    fields: dict[str, str] = {}
    label = ""
    for line in text.splitlines():
        if line[:1] in (" ", "\t") and label:
            fields[label] += " " + line.strip()
        elif ":" in line:
            label, _, value = line.partition(":")
            fields[label] = value.strip()
    return fields


def encode_path(path: str) -> str:
    """A path as it stands in a manifest."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")


def decode_path(text: str) -> str:
    """The path that a manifest means."""
    decoded = re.sub("%0[Aa]", "\n", text)
    decoded = re.sub("%0[Dd]", "\r", decoded)
    return decoded.replace("%25", "%")


def _info_text(fields: Mapping[str, str]) -> str:
    lines = []
    for label, value in fields.items():
        if not _LABEL.fullmatch(label):
            raise CopyError("bag-label", label=label)
        flat = " ".join(value.split())
        if flat:
            lines.append(f"{label}: {flat}\n")
    return "".join(lines)


def _sums_text(sums: Mapping[str, str], paths: Iterable[str]) -> str:
    return "".join(f"{sums[path]}  {encode_path(path)}\n" for path in paths)
