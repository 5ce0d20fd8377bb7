"""The two typefaces of everything that is looked at: the page loads them, reports carry them inside.

``faces.css`` says which file holds which characters, for both.
"""

from __future__ import annotations

import base64
import re
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent
_FACE = re.compile(r"@font-face \{.*?\}", re.DOTALL)
_FILE = re.compile(r'url\("([^"]+)"\)')
_RANGE = re.compile(r"U\+([0-9A-F]+)(?:-([0-9A-F]+))?")


def with_faces(page: str) -> str:
    """An HTML page of one file, with the typefaces at the head of its style sheet as ``data:`` addresses: only
    those files that hold a character of the page."""
    points = {ord(character) for character in set(page)}
    faces = "".join(
        f"{rule}\n"
        for rule, ranges in _faces()
        if any(first <= point <= last for point in points for first, last in ranges)
    )
    return page.replace("<style>\n", f"<style>\n{faces}", 1)


@cache
def _faces() -> list[tuple[str, list[tuple[int, int]]]]:
    """Each rule of ``faces.css`` with its file inside, and the ranges of code points that it is for."""
    sheet = (FOLDER / "faces.css").read_text("utf-8")
    return [
        (
            _FILE.sub(lambda found: f'url("{_address(found[1])}")', rule),
            [(int(first, 16), int(last or first, 16)) for first, last in _RANGE.findall(rule)],
        )
        for rule in _FACE.findall(sheet)
    ]


def _address(name: str) -> str:
    return "data:font/woff2;base64," + base64.b64encode((FOLDER / name).read_bytes()).decode("ascii")
