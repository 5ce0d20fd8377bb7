"""The one door to Numba, with ``kernel_cache`` behind it: where compiled kernels are cached, and how they are declared.

Kernels are serial and release the GIL, so two of them run side by side in plain threads.
``SIDEKEEP_PLAIN=1`` runs every kernel as ordinary Python (slow; for tests and debugging).
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from functools import cache, cached_property, update_wrapper
from pathlib import Path
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])
Held = TypeVar("Held")

_log = logging.getLogger(__name__)
FORGOTTEN_AFTER_S = 90 * 86_400.0
"""Three months: kernels of a version that was not started for so long are compiled again if it ever is (chosen here)."""


def inner_kernels_key(room: Path) -> str:
    """Changes with every file of the ``room`` that holds an inner kernel, or says how kernels are compiled and kept.

    The compiler's cache looks at the file of a kernel alone, not at those whose kernels became part of it: after an update it
    would go on with the old ones.
    """
    found = hashlib.blake2b(digest_size=8)
    for path in sorted(room.rglob("*.py")):
        text = path.read_bytes()
        if b"\n@inner_kernel" in text or path.name in ("kernel.py", "kernel_cache.py"):
            found.update(path.relative_to(room).as_posix().encode() + b"\0" + text)
    return found.hexdigest()


def _cache_folder() -> str:
    """Where compiled kernels are kept; empty where no place can be written to."""
    base = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    key = inner_kernels_key(Path(__file__).parent)
    places = [Path(base) / "sidekeep" / "kernels"]
    with suppress(OSError):  # no folder for passing files either
        places.append(Path(tempfile.gettempdir()) / f"sidekeep-kernels-{_user()}")
    for kernels in places:
        folder = kernels / key
        try:
            if not folder.is_dir():
                folder.mkdir(mode=0o700, parents=True, exist_ok=True)
                forget_old(kernels)
            # Kernels are run: from a place of all users none that somebody else may have put there.
            is_safe = kernels == places[0] or folder.stat().st_uid == _user()
        except OSError:
            continue
        if is_safe and os.access(folder, os.W_OK):
            return str(folder)
    return ""


def _user() -> int:
    return os.getuid() if hasattr(os, "getuid") else 0


def forget_old(kernels: Path) -> None:
    """Remove the kernels of versions that were set up long ago."""
    for folder in kernels.iterdir():
        with suppress(FileNotFoundError):  # two that begin at once forget the same
            if folder.stat().st_mtime < time.time() - FORGOTTEN_AFTER_S:
                shutil.rmtree(folder, ignore_errors=True)


if "NUMBA_CACHE_DIR" not in os.environ and (_folder := _cache_folder()):
    os.environ["NUMBA_CACHE_DIR"] = _folder
IS_KEPT = "NUMBA_CACHE_DIR" in os.environ
"""Whether kernels are kept from one start to the next."""
os.environ.setdefault("NUMBA_OPT", "2")  # a fifth less time to compile, and the kernels are as fast
PLAIN = os.environ.get("SIDEKEEP_PLAIN") == "1"


class Kernel:
    """A function that meets the compiler when it is first called: half of the commands call none, and start without it.

    ``py_func`` is the function as it was written.
    """

    def __init__(self, function: Callable[..., Any], *, becomes_part_of_others: bool) -> None:
        self.py_func = function
        self._becomes_part_of_others = becomes_part_of_others
        update_wrapper(self, function)

    def __call__(self, *given: Any) -> Any:
        return self.dispatcher(*given)

    @cached_property
    def dispatcher(self) -> Any:
        """The compiler's own object for it, with all versions that were compiled or read from the disk."""
        from sidekeep.dsp.kernel_cache import meet_compiler

        if not IS_KEPT:
            _tell_once()
        return meet_compiler(
            self.py_func, becomes_part_of_others=self._becomes_part_of_others, is_kept=IS_KEPT
        )

    @property
    def _numba_type_(self) -> Any:
        """What the compiler asks when it compiles a kernel that calls this one."""
        return self.dispatcher._numba_type_


@cache
def _tell_once() -> None:
    _log.warning(
        "parts of sidekeep are compiled when they are first needed, and no folder can be written to keep them in: every start "
        "takes a minute or more until XDG_CACHE_HOME names one that can"
    )


def kernel(function: F) -> F:
    """Compile on first call, cached on disk, without the GIL; contiguous float64 arguments, no checks.

    Sums may be reordered, but products and sums are not contracted and quotients stay quotients.
    A divisor of zero is not asked for, as in numpy: where every divisor is looked at, quotients are worked out one by one.
    """
    return function if PLAIN else cast(F, Kernel(function, becomes_part_of_others=False))


def inner_kernel(function: F) -> F:
    """A kernel that other kernels call: it becomes part of each of them.

    Else it would be there once in every caller and once alone, its sums in another order in each, and which of them runs would
    depend on what a process happened to load first: so would the last bits of a survey (1.5e-11 was seen).
    """
    return function if PLAIN else cast(F, Kernel(function, becomes_part_of_others=True))


class _Borrowed:
    """``borrowed(array)``: the same array, or tuple of arrays, of which a kernel does not count who holds it.

    For what a kernel is given, which its caller holds until it is done. Else every slice is counted, and two threads wait for
    each other where they count the same array. Not for what a kernel allocates, which would be gone too early, nor for what it
    gives back.
    """

    def __call__(self, array: Held) -> Held:
        return array

    @property
    def _numba_type_(self) -> Any:
        from sidekeep.dsp.kernel_cache import borrowing

        return borrowing()


borrowed = _Borrowed()
