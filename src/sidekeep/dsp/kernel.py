"""The one door to Numba: where compiled kernels are cached, and how they are declared.

Kernels are serial and release the GIL, so two of them run side by side in plain threads.
``SIDEKEEP_PLAIN=1`` runs every kernel as ordinary Python (slow; for tests and debugging).
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

F = TypeVar("F", bound=Callable[..., Any])


def _cache_folder() -> str:
    base = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    for folder in (Path(base) / "sidekeep" / "kernels", Path(tempfile.gettempdir()) / "sidekeep-kernels"):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(folder, os.W_OK):
            return str(folder)
    return tempfile.mkdtemp(prefix="sidekeep-kernels-")


os.environ.setdefault("NUMBA_CACHE_DIR", _cache_folder())

import numba  # noqa: E402  (the cache folder must be known first)

PLAIN = os.environ.get("SIDEKEEP_PLAIN") == "1"


def kernel(function: F) -> F:
    """Compile on first call, cached on disk, without the GIL; contiguous float64 arguments, no checks.

    Sums may be reordered, but products and sums are not contracted and quotients stay quotients. Even so a survey on an empty
    cache and a later one may differ in the last bits of a few mended samples: 5 of 386,928 by 1.5e-11 on a side of 57 s at 96 kHz
    (``./run bench live --only first``). The likely reason: a kernel that others call is compiled by itself and again within each
    caller, sums may come out in another order in each, and what was compiled first decides which of them runs.
    """
    if PLAIN:
        return function
    return numba.njit(nogil=True, cache=True, fastmath={"reassoc", "nsz"})(function)
