"""The one place that asks the system to bring what was written to the disk itself.

On macOS ``fsync`` ends at the drive, which may keep it in a memory of its own and lose it with the power; ``F_FULLFSYNC`` asks
the drive to write that out too (Apple, the manual pages fsync(2) and fcntl(2)). Network drives and some others refuse it.
"""

from __future__ import annotations

import os
from contextlib import suppress

try:
    import fcntl
except ImportError:  # Windows, whose own way os.fsync is
    _FULL = None
else:
    _FULL = getattr(fcntl, "F_FULLFSYNC", None)


def flush_descriptor(descriptor: int) -> None:
    """Content and facts of an open file, or the entries of an open folder. Raises OSError."""
    if _FULL is not None:
        with suppress(OSError):
            fcntl.fcntl(descriptor, _FULL)
            return
    os.fsync(descriptor)


def flush_content(descriptor: int) -> None:
    """Content of an open file and its length, which is quicker where the system tells them apart. Raises OSError."""
    if _FULL is None and hasattr(os, "fdatasync"):
        os.fdatasync(descriptor)
    else:
        flush_descriptor(descriptor)
