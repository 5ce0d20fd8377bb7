"""Names of files as the libraries need them.

Conventions: on POSIX a name is bytes and need not be text; Python holds such a name with lone surrogates, which no library
can encode. Such a name goes out as its bytes.
"""

from __future__ import annotations

import os
from pathlib import Path


def library_name(path: Path) -> str | bytes:
    """The name as text, or as bytes where it is no text."""
    text = str(path)
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return os.fsencode(path)
    return text
