"""Names that every file system takes.

Rules from Microsoft, "Naming Files, Paths, and Namespaces" (reserved characters, device names, trailing dot
and space) and from memory: 255 UTF-16 units on NTFS and FAT long names, 255 UTF-8 bytes on ext4 and APFS.
"""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.copies.tracks.naming import (
    NamingRules,
    clash_key,
    fill_template,
    folder_name,
    safe_name,
    track_path,
    unique_name,
)
from sidekeep.errors import ParameterError

DEVICES = {"CON", "PRN", "AUX", "NUL", *(f"{p}{d}" for p in ("COM", "LPT") for d in "0123456789¹²³")}
HOSTILE = [
    "..",
    ".",
    "",
    "   ",
    "CON",
    "con.txt",
    "nul",
    "LPT1 ",
    "COM¹",
    "a/b\\c",
    "what? *now*",
    'say "hi"',
]
HOSTILE += ["...and then", "trailing dots...", "tab\tand\nline", "\u202egnp.exe", "é" * 300, "e\u0301" * 300]
HOSTILE += [
    "שלום עולם",
    "🧑🏽\u200d🚀" * 99,
    "x" * 300,
    "\x00\x01",
    "\ud800",
    "-",
    "???",
    "<>|",
    "AUX.",
    "#1",
]


def is_fine(name: str) -> bool:
    stem = name.split(".")[0].rstrip(" ").upper()
    return (
        name not in ("", ".", "..")
        and not set(name) & set('<>:"/\\|?*')
        and all(unicodedata.category(char) not in ("Cc", "Cs") for char in name)
        and name[-1] not in ". "
        and name[0] not in ". "
        and stem not in DEVICES
        and all(len(unicodedata.normalize(form, name).encode()) <= 250 for form in ("NFC", "NFD"))
        and all(len(unicodedata.normalize(form, name).encode("utf-16-le")) <= 500 for form in ("NFC", "NFD"))
    )


@pytest.mark.parametrize("title", HOSTILE)
def test_hostile_titles_become_fine_names(title: str) -> None:
    assert is_fine(safe_name(title, ".flac"))
    assert is_fine(safe_name(title))
    assert is_fine(track_path(NamingRules(track="{title}"), {"title": title}, ".flac", set()))
    assert is_fine(folder_name(NamingRules(), {"artist": title, "title": title, "year": ""}))


@given(st.text(max_size=400), st.sampled_from(["", ".flac", " (2).m4a"]))
def test_any_text_becomes_a_fine_name(text: str, suffix: str) -> None:
    name = safe_name(text, suffix)
    assert is_fine(name)
    assert name.endswith(suffix)
    assert safe_name(name.removesuffix(suffix), suffix) == name


@given(
    st.lists(
        st.sampled_from(["Same", "same", "SAME", "Straße", "STRASSE", "e\u0301", "é", "", "x" * 400]),
        max_size=9,
    )
)
def test_names_of_one_folder_never_clash(titles: list[str]) -> None:
    taken: set[str] = set()
    names = [unique_name(title, ".flac", taken) for title in titles]
    assert len({clash_key(name) for name in names}) == len(titles)
    assert len({unicodedata.normalize("NFD", name).lower() for name in names}) == len(titles)
    assert all(is_fine(name) for name in names)


def test_a_cut_name_keeps_letters_whole() -> None:
    for prefix in ("", "x", "xx"):
        # A letter with two marks that no single character stands for.
        name = safe_name(prefix + "q\u0323\u0302" * 300).removeprefix(prefix)
        assert len(name) > 60
        assert name == "q\u0323\u0302" * (len(name) // 3)
        family = safe_name(prefix + "👩\u200d🚀" * 200)
        assert family.count("👩") == family.count("🚀")


@pytest.mark.parametrize(
    ("values", "name"),
    [
        ({"artist": "A", "title": "T", "year": "1971"}, "A - T (1971)"),
        ({"artist": "A", "title": "T", "year": ""}, "A - T"),
        ({"artist": "", "title": "T", "year": "1971"}, "T (1971)"),
        ({"artist": "A", "title": "", "year": ""}, "A"),
        ({"artist": "", "title": "", "year": "1971"}, "(1971)"),
        ({}, "Untitled"),
        ({"artist": "A/B", "title": "Part 1: Sea", "year": ""}, "A-B - Part 1 - Sea"),
        ({"artist": "() - ()", "title": "T", "year": ""}, "() - () - T"),
        ({"artist": "{title}", "title": "T", "year": ""}, "{title} - T"),
    ],
)
def test_folder_names(values: dict[str, str], name: str) -> None:
    assert folder_name(NamingRules(), values) == name


def test_track_names_may_make_folders_but_titles_may_not() -> None:
    rules = NamingRules(track="{side}/{position} {title}")
    taken: set[str] = set()
    assert track_path(rules, {"side": "A", "position": "A1", "title": "../../etc"}, ".mp3", taken) == (
        "A/A1 ..-..-etc.mp3"
    )
    again = track_path(rules, {"side": "a", "position": "A1", "title": "../../ETC"}, ".mp3", taken)
    assert again == "a/A1 ..-..-ETC (2).mp3"


@pytest.mark.parametrize(
    "template", ["{titel}", "{title!r}", "{title:>40}", "{title.upper}", "{", "plain", "{0}", "{title[0]}"]
)
def test_templates_that_do_more_than_fill_in_are_refused(template: str) -> None:
    with pytest.raises(ParameterError, match="template"):
        NamingRules(track=template)


def test_a_folder_template_names_one_folder() -> None:
    with pytest.raises(ParameterError, match="without a slash"):
        NamingRules(folder="{artist}/{title}")


@given(st.text(max_size=40), st.text(max_size=40))
def test_filling_never_lets_a_value_add_a_folder(title: str, artist: str) -> None:
    assert fill_template("{artist}/{title}", {"artist": artist, "title": title}).count("/") <= 1
