"""The pages of the project, and where they lie: for the tests that compare them with the code."""

from __future__ import annotations

import re
from pathlib import Path

import sidekeep

ROOT = Path(__file__).parents[2]
SOURCE = Path(sidekeep.__file__).parent
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")), ROOT / "examples" / "README.md"]
PAGES += [ROOT / "changelog.d" / "README.md"]


def text(name: str) -> str:
    """A page by its place in the project."""
    return (ROOT / name).read_text("utf-8")


def fenced(page: str, word: str) -> list[str]:
    """The blocks of a page that are marked with a word."""
    return re.findall(rf"^```{word}\n(.*?)^```$", page, re.DOTALL | re.MULTILINE)
