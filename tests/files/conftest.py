"""A disk that is soon full."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.outside import files_no_larger_than, mounted

SMALL_BYTES = 256 * 1024


@pytest.fixture(params=["small file system", "file size limit"])
def small_disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A folder where about 256 kB fit: a file system of that size (needs root), or a limit of the account."""
    if request.param == "small file system":
        folder = tmp_path / "disk"
        folder.mkdir()
        with mounted(folder, f"size={SMALL_BYTES}"):
            yield folder
    else:
        with files_no_larger_than(SMALL_BYTES):
            yield tmp_path
