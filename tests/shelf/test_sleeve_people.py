"""Who stands before a dash and who behind it, told by all lines of a list together. Common practice, no source; the names are invented."""

from __future__ import annotations

import pytest

from sidekeep.shelf.sleeve.reading import read_sleeve

BAND = "The Wicker Boats - Tallow Wharf (1971)"
MIXED = "Various - Kai West (1974)"
NAMES_BEHIND = {
    "names that come back": [
        ("Lamp Oil", "Ida Marsh"),
        ("Rope", "Nan Okoro"),
        ("The Kelp", "Ida Marsh"),
        ("Eel Pie", "Ida Marsh"),
    ],
    "names that come back together": [
        ("Lamp Oil", "Ida Marsh & Nan Okoro"),
        ("Rope", "Nan Okoro"),
        ("Kelp", "Ida Marsh"),
    ],
    "titles that are no names": [
        ("Who Sails?", "Ida Marsh"),
        ("Rope in My Hand", "Nan Okoro"),
        ("Salt", "Tor van Hul"),
    ],
}
ARTISTS_BEFORE = {
    "artists that come back": [("Ida Marsh", "Lamp Oil"), ("Nan Okoro", "Rope"), ("Ida Marsh", "Eel Pie")],
    "titles that look like names": [
        ("The Kelps", "Lamp Oil"),
        ("Nan Okoro", "Slack Water"),
        ("Birds of Paper", "Eel Pie"),
    ],
    "artists whose names hold words of titles": [
        ("Boats 7", "Rope"),
        ("Salt for Tea", "The Long Pier"),
        ("Kelps", "Oil in Lamps"),
    ],
    "one song by several": [("Ida Marsh", "Lamp Oil"), ("Nan Okoro", "Lamp Oil"), ("Tor Hul", "Lamp Oil")],
}


def sides_of(head: str, lines: list[tuple[str, str]]) -> list[tuple[str, str, str]]:
    text = f"{head}\nSide A\n" + "".join(f"{one} - {other} 3:45\n" for one, other in lines)
    record, problems = read_sleeve(text)
    assert problems == []
    return [(track.title, track.artist, track.composer) for track in record.sides[0].tracks]


@pytest.mark.parametrize("lines", NAMES_BEHIND.values(), ids=NAMES_BEHIND)
def test_full_names_behind_a_dash_are_known_by_all_lines_together(lines: list[tuple[str, str]]) -> None:
    """They were taken for the titles, and the titles for artists."""
    assert sides_of(MIXED, lines) == [(title, name, "") for title, name in lines]
    assert sides_of(BAND, lines) == [(title, "", name) for title, name in lines]


@pytest.mark.parametrize("lines", ARTISTS_BEFORE.values(), ids=ARTISTS_BEFORE)
def test_artists_before_a_dash_stay_artists(lines: list[tuple[str, str]]) -> None:
    assert sides_of(MIXED, lines) == [(title, artist, "") for artist, title in lines]


def test_the_records_own_artists_are_known_on_either_side_of_a_dash() -> None:
    """Where a record names two, lines that begin with one of them stayed whole."""
    head = "Nan Okoro & Ida Marsh - Split (1980)"
    by = [
        ("Rope", "Nan Okoro", ""),
        ("Kelp", "Nan Okoro", ""),
        ("Lamp Oil", "Ida Marsh", ""),
        ("Eel", "Ida Marsh", ""),
    ]
    assert sides_of(head, [(artist, title) for title, artist, _ in by]) == by
    assert sides_of(head, [(title, artist) for title, artist, _ in by]) == by
    record, _ = read_sleeve(f"{BAND}\nSide A\nRope - The Wicker Boats 3:45\nKelp 4:10\nSalt - A Waltz 2:58\n")
    assert [(track.title, track.artist) for track in record.sides[0].tracks] == [
        ("Rope", ""),
        ("Kelp", ""),
        ("Salt - A Waltz", ""),
    ]
