"""What must hold for anything a person can hand over: no exception but one in one line, nothing outside the folder.

Conventions: a property is a function of random material (hypothesis); it raises when it does not hold. ``PROPERTIES`` names
them all. Errors of the program's own family are answers, not faults.
"""

from __future__ import annotations

import contextlib
import io
import json
import struct
import tempfile
from collections.abc import Callable
from pathlib import Path

from hypothesis import strategies as st

from sidekeep.cli.main import main
from sidekeep.copies.tracks.naming import NamingRules, folder_name, safe_name
from sidekeep.errors import SidekeepError
from sidekeep.files.reading.reader import open_take
from sidekeep.shelf.choices.cuts_file import read_cuts
from sidekeep.shelf.choices.recipe_file import read_recipe
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.sleeve.decoding import decode_sleeve
from sidekeep.shelf.sleeve.reading import read_text
from sidekeep.shelf.sleeve.writing import write_sleeve
from sidekeep.shelf.styluses import read_styluses

ODD = [
    "²",
    "\udcff",
    "\x00",
    "\\",
    '"',
    "..",
    "/",
    "A1",
    "Side A",
    "3:45",
    "NaN",
    "1e999",
    "-0",
    "ſ",
    "é",
    "夜",
    "\u202e",
    "\t",
    "\n",
]
words = st.one_of(
    st.text(max_size=20), st.sampled_from(ODD), st.lists(st.sampled_from(ODD), max_size=6).map("".join)
)
values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | words,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(words, inner, max_size=4),
    max_leaves=12,
)


def sleeve_text(text: str) -> None:
    """Any text is read, every line of it told, and what was read is written and read again."""
    reading = read_text(text)
    assert all(line.doubts for line in reading.lines if line.reads_as == "unread")
    if reading.record.sides:
        assert read_text(write_sleeve(reading.record)).record == reading.record


def sleeve_bytes(data: bytes) -> None:
    """Any bytes are a sleeve, or refused."""
    with contextlib.suppress(SidekeepError):
        read_text(decode_sleeve(data))


def sleeve_json(data: object) -> None:
    """JSON of any shape is read or told."""
    read_text(json.dumps(data))


def file_names(parts: tuple[str, str, str]) -> None:
    """A name made of anything is one plain name inside its folder."""
    artist, title, year = parts
    facts = {"artist": artist, "title": title, "year": year, "label": "", "catalogue_number": ""}
    with contextlib.suppress(SidekeepError):
        for name in (safe_name(title), folder_name(NamingRules(), facts)):
            assert name
            assert name not in (".", "..")
            assert not set(name) & {"/", "\\", "\0"}
            name.encode("utf-8")


def toml_files(text: str) -> None:
    """Files a person edits are read or refused in one line."""
    for read in (read_cuts, read_recipe):
        with contextlib.suppress(SidekeepError):
            read(text)
    with tempfile.TemporaryDirectory() as folder:
        for name in ("record.toml", "styluses.toml"):
            (Path(folder) / name).write_text(text, "utf-8", errors="replace")
        with contextlib.suppress(SidekeepError):
            read_styluses(Path(folder))
        with contextlib.suppress(SidekeepError):
            RecordFolder(Path(folder)).state()


def audio_headers(change: tuple[list[tuple[int, int]], int, bytes]) -> None:
    """A recording whose bytes were changed, cut or added to is read or refused."""
    places, keep, more = change
    form = struct.pack("<HHIIHH", 3, 2, 44_100, 44_100 * 8, 8, 32)
    data = struct.pack("<64f", *(0.01 * n for n in range(64)))
    whole = bytearray(
        b"RIFF" + struct.pack("<I", 36 + len(data)) + b"WAVEfmt " + struct.pack("<I", 16) + form
        + b"data" + struct.pack("<I", len(data)) + data
    )  # fmt: skip
    for place, value in places:
        whole[place % len(whole)] = value
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        path.write_bytes(bytes(whole[: keep % (len(whole) + 1)]) + more)
        with contextlib.suppress(SidekeepError):
            source = open_take([path])
            for _ in source.blocks(65_536):
                pass


def options(arguments: list[str]) -> None:
    """Any options end with an exit code and, when it is 2, one line."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        (here / "sleeve.txt").write_text("Nan Okoro - Salt (1970)\nSide A\nA1 Lamp 0:02\n")
        places = {
            "SHELF": str(here / "shelf"),
            "SLEEVE": str(here / "sleeve.txt"),
            "OUT": str(here / "out"),
            "FILE": str(here / "no.wav"),
        }
        given = [places.get(word, word) for word in arguments]
        err = io.StringIO()
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(err):
            try:
                code = main(given)
            except SystemExit as ended:
                code = ended.code if isinstance(ended.code, int) else 2
        assert code in (0, 1, 2), code
        assert "whose cause is not known" not in err.getvalue(), err.getvalue()
        assert {path.name for path in here.iterdir()} <= {"sleeve.txt", "shelf", "out"}


verbs = st.sampled_from(
    [
        ["shelf", "--shelf", "SHELF", "list"],
        ["shelf", "--shelf", "SHELF", "plan", "SLEEVE"],
        ["shelf", "--shelf", "SHELF", "styluses"],
        ["transfer", "FILE", "--out", "OUT"],
        ["copies", "--shelf", "SHELF"],
        ["survey", "FILE"],
        ["adopt", "FILE", "--shelf", "SHELF"],
        ["mend", "FILE", "OUT"],
        ["verify", "--shelf", "SHELF"],
    ]
)
flags = st.sampled_from(
    ["--sides", "--mend", "--copies", "--level", "--titles", "--track-names", "--comment", "--hours-before",
     "--remind-at", "--record", "--sleeve", "--leave", "--recipe", "--picture", "--stylus", "--json", "--state"]
)  # fmt: skip
given_options = st.tuples(verbs, st.lists(st.one_of(flags, words), max_size=4)).map(
    lambda pair: [*pair[0], *pair[1]]
)
changes = st.tuples(
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 255)), max_size=6),
    st.integers(0, 400),
    st.binary(max_size=8),
)
tables = st.lists(st.tuples(words, words), max_size=6).map(
    lambda rows: "\n".join(f"{name} = {value}" for name, value in rows)
)
sleeve_texts = st.lists(
    st.one_of(
        words,
        st.sampled_from(
            ["Columns: title, time", "Side,Title,Time", "Disc 2", "  number: ²", "A Lamp", "B Oil"]
        ),
    ),
    max_size=10,
).map("\n".join)

PROPERTIES: dict[str, tuple[st.SearchStrategy[object], Callable[..., None]]] = {
    "sleeve text": (st.one_of(st.text(max_size=300), sleeve_texts), sleeve_text),
    "sleeve bytes": (st.binary(max_size=300), sleeve_bytes),
    "JSON": (values, sleeve_json),
    "names": (st.tuples(words, words, words), file_names),
    "TOML": (st.one_of(st.text(max_size=200), tables), toml_files),
    "headers": (changes, audio_headers),
    "options": (given_options, options),
}
