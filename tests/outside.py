"""What tests take from outside: programs, libraries, disks of a size. With CI=true what is missing is a failure.

The right to mount is the one exception: no package brings it. Where it is refused the test is skipped, the reason is printed at the
end of the run, and the same fault is made another way (a limit for the size of a file, permissions) for everybody but root.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import shutil
import subprocess
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import NoReturn

import pytest

IS_ROOT = hasattr(os, "geteuid") and os.geteuid() == 0


def not_here(what: str) -> NoReturn:
    """Skip for want of something; fail where CI promised it."""
    if os.environ.get("CI") == "true":
        pytest.fail(what)
    pytest.skip(what)


def browser() -> str | None:
    """Path of Debian's Chromium; where it is there, the one without windows, which opens a page for three quarters of the work."""
    return shutil.which("chromium-headless-shell") or shutil.which("chromium")


def library(name: str) -> ModuleType:
    """An independent library that a test reads with, whatever it warns of itself when it loads."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return importlib.import_module(name)
        except ImportError:
            not_here(f"the library {name} is not installed")


def cannot_mount() -> NoReturn:
    """Skip, and say what was not tried."""
    pytest.skip("a small or read-only disk needs the right to mount one")


@contextlib.contextmanager
def mounted(folder: Path, options: str) -> Iterator[None]:
    """A file system of its own in an empty folder, held in memory: ``size=4m``, ``ro``."""
    order = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    if not IS_ROOT or subprocess.run(order, capture_output=True, check=False).returncode:
        cannot_mount()
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@contextlib.contextmanager
def nobody_writes(folder: Path) -> Iterator[None]:
    """An empty folder nobody may write to: by permission, or by a mount for root, whom permissions do not bind."""
    if IS_ROOT:
        with mounted(folder, "ro"):
            yield
        return
    folder.chmod(0o500)
    try:
        yield
    finally:
        folder.chmod(0o700)


@contextlib.contextmanager
def files_no_larger_than(size_bytes: int) -> Iterator[None]:
    """A limit of the account, as a full disk is for whoever writes one large file."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
