"""Shared by all tests: one seed, one way to ask for an outside program."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    """Random numbers that are the same at every run."""
    return np.random.default_rng(20_261_125)


@pytest.fixture
def program() -> Callable[[str], str]:
    """Path of an outside program; skips where it is missing, fails where CI promised it."""

    def find(name: str) -> str:
        path = shutil.which(name)
        if path is None:
            reason = f"{name} is not installed"
            if os.environ.get("CI") == "true":
                pytest.fail(reason)
            pytest.skip(reason)
        return path

    return find
