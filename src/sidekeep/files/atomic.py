"""Files that appear whole or not at all.

Everything is written under a temporary name (``<name>.<who>.part``) in the same folder, flushed to the disk,
and only then given its name; the folder entry is flushed too. ``who`` is the machine, the process and a count, so
two that write the same file at once never write into one temporary file. A killed run leaves at most such a file;
the next one that writes into the folder takes it away. Nothing that exists is overwritten unless ``replace`` is true.

What the operating system says (full disk, no permission, ...) becomes a one-line ``CopyError``.
"""

from __future__ import annotations

import contextlib
import errno
import itertools
import json
import os
import re
import shutil
import socket
import time
import zlib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from sidekeep.errors import CopyError, SidekeepError
from sidekeep.files.bounded import read_text_bounded
from sidekeep.files.checksum import bytes_sha256
from sidekeep.files.flushing import flush_descriptor

PART = ".part"
WORK = ".sidekeep-work"
_LONGEST_NAME_BYTES = 255
_MACHINE = Path("/etc/machine-id")
_FORGOTTEN_S = 2 * 86_400.0
_COUNT = itertools.count(1)
_WHO = re.compile(r"\.(?P<place>[0-9a-f]{8})-(?P<process>[0-9]+)-[0-9a-f]+\.part$")

_CODES = {
    errno.ENOSPC: "disk-full",
    errno.EDQUOT: "quota-full",
    errno.EFBIG: "file-outgrown",
    errno.EACCES: "not-permitted",
    errno.EPERM: "not-permitted",
    errno.EROFS: "disk-read-only",
    errno.ENAMETOOLONG: "name-too-long",
    errno.ENOENT: "folder-not-there",
    errno.ENOTDIR: "part-is-file",
    errno.EISDIR: "folder-of-that-name",
    errno.EIO: "disk-fault",
}


def copy_error(error: OSError, path: str | os.PathLike[str]) -> CopyError:
    """The one-line ``CopyError`` for what the operating system said about ``path``, which a person knows by its final name."""
    path = _WHO.sub("", os.fspath(path))
    code = _CODES.get(error.errno or 0)
    if code == "disk-full" and _takes_no_more_files(path):
        code = "no-more-files"
    if code is None:
        return CopyError("not-written", path=path, reason=error.strerror or error)
    return CopyError(code, path=path)


def _takes_no_more_files(path: str) -> bool:
    """Whether there is room for bytes on the disk, and none in its list of files (Linux and macOS tell)."""
    try:
        found = os.statvfs(os.path.dirname(path) or ".")
    except (OSError, AttributeError):
        return False
    return found.f_bavail > 0 and found.f_files > 0 and found.f_favail == 0


def told_as(error: CopyError, making: Path, final: Path) -> CopyError:
    """The same error, of a file in a folder that has no name yet, by the name it will have."""
    facts = {
        name: value.replace(os.fspath(making), os.fspath(final)) if isinstance(value, str) else value
        for name, value in error.facts.items()
    }
    return CopyError(error.code, **facts)


def is_disk_full(error: BaseException) -> bool:
    """Whether writing failed for want of room."""
    return getattr(error, "code", "") in ("disk-full", "quota-full", "no-more-files") or (
        isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)
    )


def already_there(path: Path) -> CopyError:
    """The ``CopyError`` for a name that is taken."""
    return CopyError("exists", path=path)


def part_path(path: str | os.PathLike[str]) -> Path:
    """A temporary name for ``path``, in the same folder; another one every time, and nobody else's."""
    final = Path(path)
    tail = f".{_place()}-{os.getpid()}-{next(_COUNT):x}{PART}"
    name = final.name + tail
    if len(os.fsencode(name)) > _LONGEST_NAME_BYTES:
        name = bytes_sha256(os.fsencode(final.name))[:32] + tail
    return final.with_name(name)


def forget_parts(folder: Path, *, mine: bool = False) -> None:
    """Take away files and folders that killed runs left under temporary names of ours: those of processes of this machine
    that are gone, and of others what nobody touched for two days. With ``mine`` those of this process too."""
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        # By the clock of the disk too: one of ours that runs days ahead must not end what another machine writes now.
        now_s = min(time.time(), os.stat(folder).st_mtime)
        for entry in entries:
            found = _WHO.search(entry.name)
            if found is None:
                continue
            with contextlib.suppress(OSError):
                process, is_here = int(found["process"]), found["place"] == _place()
                is_gone = is_here and not _is_running(process)
                is_mine = mine and is_here and process == os.getpid()
                # A clock that is put right jumps by days (some small machines have none while they are off): what one of us
                # writes now is not old.
                is_old = now_s - entry.stat(follow_symlinks=False).st_mtime > _FORGOTTEN_S
                if not (is_gone or is_mine or (is_old and not (is_here and _may_be_ours(process)))):
                    continue
                if entry.is_dir(follow_symlinks=False):
                    shutil.rmtree(entry.path, ignore_errors=True)
                else:
                    os.unlink(entry.path)


def forget_parts_below(top: Path) -> None:
    """The same in a folder and all that are in it."""
    for folder, _, _ in os.walk(top):
        forget_parts(Path(folder))


@cache
def _place() -> str:
    """Where process numbers mean what they mean here: the machine and, on Linux, the container. Machines that share a disk may
    have one name, as they come from their makers."""
    inside = machine = ""
    with contextlib.suppress(OSError):
        inside = os.readlink("/proc/self/ns/pid")
    with contextlib.suppress(OSError, SidekeepError):
        machine = read_text_bounded(_MACHINE, "facts").strip()
    words = " ".join((socket.gethostname(), machine, inside))
    return f"{zlib.crc32(words.encode('utf-8', 'replace')):08x}"


def _is_running(process: int) -> bool:
    """Whether a process of this machine is there. Where the system has no harmless way to ask (Windows), yes."""
    if os.name == "nt":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _may_be_ours(process: int) -> bool:
    """Whether a process that runs here may be a sidekeep, and not another program that was given its number (Linux tells)."""
    try:
        return "python" in os.path.basename(os.readlink(f"/proc/{process}/exe"))
    except OSError:
        return True


def refuse_existing(path: Path, replace: bool) -> None:
    """Raise ``CopyError`` when ``path`` is there already and may not be replaced, or is a folder."""
    try:
        there = path.is_dir()
    except OSError as error:
        raise copy_error(error, path) from error
    if there:
        raise CopyError("folder-of-that-name", path=path)
    if not replace and os.path.lexists(path):
        raise already_there(path)


def flush_file(path: Path) -> None:
    """Ask the system to bring a closed file's content to the disk."""
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        flush_descriptor(descriptor)
    finally:
        os.close(descriptor)


def flush_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system has a way to (Windows has none)."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        flush_descriptor(descriptor)
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
        forget_parts(final.parent)
        yield part
        give_name(part, final, replace=replace)
    except BaseException as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise copy_error(error, final) from error
        raise


@contextlib.contextmanager
def work_folder(parent: Path) -> Iterator[Path]:
    """A folder of this process on the disk of ``parent``, gone at the end whatever happens. Those of killed runs go first."""
    forget_parts(parent)
    folder = part_path(parent / WORK)
    try:
        folder.mkdir()
    except OSError as error:
        raise copy_error(error, parent) from error
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


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
