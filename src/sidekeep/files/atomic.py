"""Files that appear whole or not at all.

Everything is written under a temporary name (``<name>.part``) in the same folder, flushed to the disk,
and only then given its name; the folder entry is flushed too. A killed run leaves at most a ``.part``
file, which the next run overwrites. Nothing that exists is overwritten unless ``replace`` is true.

What the operating system says (full disk, no permission, ...) becomes a one-line ``CopyError``.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sidekeep.errors import CopyError
from sidekeep.files.checksum import bytes_sha256

PART = ".part"
_LONGEST_NAME_BYTES = 255

_CAUSES = {
    errno.ENOSPC: "the disk is full; free some space or choose another folder",
    errno.EDQUOT: "your share of the disk is used up; free some space or choose another folder",
    errno.EFBIG: "the file grows past what this file system or account allows; choose another folder",
    errno.EACCES: "writing is not permitted there; check the folder's permissions",
    errno.EPERM: "writing is not permitted there; check the folder's permissions",
    errno.EROFS: "the disk is read-only; choose another folder",
    errno.ENAMETOOLONG: "the name is too long for this file system; shorten it",
    errno.ENOENT: "its folder is not there (removed, renamed, or a disk that is not connected)",
    errno.ENOTDIR: "a part of the path is a file, not a folder",
    errno.EISDIR: "there is a folder of that name; choose another name",
    errno.EIO: "the disk reports an error; check it, and its cable",
}


def copy_error(error: OSError, path: str | os.PathLike[str]) -> CopyError:
    """The one-line ``CopyError`` for what the operating system said about ``path``."""
    cause = _CAUSES.get(error.errno or 0, error.strerror or str(error) or type(error).__name__)
    return CopyError(f"cannot write {os.fspath(path)}: {cause}")


def already_there(path: Path) -> CopyError:
    """The ``CopyError`` for a name that is taken."""
    return CopyError(f"{path} exists already and nothing is overwritten without --replace")


def part_path(path: str | os.PathLike[str]) -> Path:
    """The temporary name for ``path``, in the same folder; the same every time, so leftovers are reused."""
    final = Path(path)
    name = final.name + PART
    if len(os.fsencode(name)) > _LONGEST_NAME_BYTES:
        name = bytes_sha256(os.fsencode(final.name))[:32] + PART
    return final.with_name(name)


def clear_part(part: Path) -> None:
    """Take away what an interrupted run left under a temporary name. It is taken away and not written into: it
    may be a link to something that must stay."""
    if os.path.lexists(part) and (part.is_symlink() or not part.is_dir()):
        part.unlink()


def refuse_existing(path: Path, replace: bool) -> None:
    """Raise ``CopyError`` when ``path`` is there already and may not be replaced, or is a folder."""
    try:
        there = path.is_dir()
    except OSError as error:
        raise copy_error(error, path) from error
    if there:
        raise CopyError(f"cannot write {path}: there is a folder of that name; choose another name")
    if not replace and os.path.lexists(path):
        raise already_there(path)


def flush_file(path: Path) -> None:
    """Ask the system to bring a closed file's content to the disk."""
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def flush_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system has a way to (Windows has none)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        # Some network and FUSE file systems cannot flush a folder; the file itself is safe.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EROFS, errno.EACCES):
            raise
    finally:
        os.close(descriptor)


def give_name(part: Path, final: Path, *, replace: bool = False) -> None:
    """Flush ``part``, rename it to ``final`` in one step and flush the folder.

    Without ``replace`` an existing ``final`` is refused even if it appeared a moment ago: a hard link
    fails where a rename would overwrite. File systems without hard links get check-then-rename.
    """
    flush_file(part)
    if replace:
        os.replace(part, final)
    else:
        try:
            os.link(part, final)
        except FileExistsError:
            raise already_there(final) from None
        except (OSError, NotImplementedError, AttributeError):
            refuse_existing(final, replace=False)
            os.rename(part, final)
        else:
            os.unlink(part)
    flush_folder(final.parent)


@contextlib.contextmanager
def whole_file(path: str | os.PathLike[str], replace: bool = False) -> Iterator[Path]:
    """Yield a temporary path to write to; on leaving without an exception it becomes ``path``.

    On any exception the temporary file is removed and ``path`` stays as it was. ``OSError`` comes out
    as a one-line ``CopyError``.
    """
    final = Path(path)
    refuse_existing(final, replace)
    part = part_path(final)
    try:
        clear_part(part)
        yield part
        give_name(part, final, replace=replace)
    except BaseException as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise copy_error(error, final) from error
        raise


def write_bytes(path: str | os.PathLike[str], content: bytes, *, replace: bool = False) -> None:
    """Write a small file whole."""
    with whole_file(path, replace) as part:
        part.write_bytes(content)


def write_text(path: str | os.PathLike[str], text: str, *, replace: bool = False) -> None:
    """Write a text file whole: UTF-8, line ends as given."""
    write_bytes(path, text.encode("utf-8", "replace"), replace=replace)


def write_json(path: str | os.PathLike[str], value: Any, *, replace: bool = False) -> None:
    """Write a JSON file whole: UTF-8, two-space indent, keys in the order given, a final line end."""
    text = json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False)
    write_text(path, text + "\n", replace=replace)
