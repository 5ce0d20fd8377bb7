"""The typefaces: the page loads the files, a report has them inside, and both by one list."""

from __future__ import annotations

import base64
import re

import pytest

from sidekeep.fonts import FOLDER, with_faces

PLAIN = "<html><style>\np {}\n</style><style>\n</style>"


def files_inside(page: str) -> list[bytes]:
    return [base64.b64decode(data) for data in re.findall(r'url\("data:font/woff2;base64,([^"]+)"\)', page)]


def test_every_file_is_listed_and_every_listed_file_is_there() -> None:
    listed = re.findall(r'url\("([^"]+)"\)', (FOLDER / "faces.css").read_text("utf-8"))
    assert sorted(listed) == sorted(path.name for path in FOLDER.glob("*.woff2"))
    assert all((FOLDER / name).read_bytes()[:4] == b"wOF2" for name in listed), (
        "signature, WOFF 2.0 section 4"
    )


@pytest.mark.parametrize(
    ("words", "files"),
    [
        ("Plain words: 0:40, −6 dB", ["newsreader-latin", "atkinson-next-latin"]),
        (
            "Łuna, žluť, őrség",
            ["newsreader-latin", "newsreader-latin-ext", "atkinson-next-latin", "atkinson-next-latin-ext"],
        ),
        ("音楽", ["newsreader-latin", "atkinson-next-latin"]),
    ],
)
def test_a_page_carries_the_files_of_its_own_letters(words: str, files: list[str]) -> None:
    page = with_faces(PLAIN + words)
    assert files_inside(page) == [(FOLDER / f"{name}.woff2").read_bytes() for name in files]
    assert re.sub(r"@font-face \{.*?\}\n", "", page, flags=re.DOTALL) == PLAIN + words, (
        "and nothing else is changed"
    )
    assert page.index("@font-face") < page.index("p {}") < page.rindex("<style>"), (
        "once, before the page's own rules"
    )
