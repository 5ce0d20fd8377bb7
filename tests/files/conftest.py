"""A disk that is soon full."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

SMALL_BYTES = 256 * 1024


@pytest.fixture(params=["small file system", "file size limit"])
def small_disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Path]:
    """A folder where about 256 kB fit: a file system of that size (needs root), or a limit of the account."""
    if request.param == "small file system":
        folder = tmp_path / "disk"
        folder.mkdir()
        mounted = sys.platform == "linux" and os.geteuid() == 0
        if mounted:
            size = f"size={SMALL_BYTES}"
            mount = ["mount", "-t", "tmpfs", "-o", size, "none", str(folder)]
            mounted = subprocess.run(mount, capture_output=True, check=False).returncode == 0
        if not mounted:
            pytest.skip("a small file system needs root and mount")
        try:
            yield folder
        finally:
            subprocess.run(["umount", str(folder)], check=True)
        return
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (SMALL_BYTES, hard))
    try:
        yield tmp_path
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
