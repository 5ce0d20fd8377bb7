"""Who made a track: artist, composer and notes told apart from the title, over the whole list.

Conventions: a ``Draft`` is a track line on its way to a ``SleeveTrack``. What one line leaves open (is
``X - Y`` artist and title, or a title with a dash?) is answered by the record's artist and by how the other lines read.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

from sidekeep.shelf.sleeve.outcome import ReadingLine
from sidekeep.shelf.sleeve.parts.fields import DASH, SLASH
from sidekeep.shelf.sleeve.parts.lines import PrintedLine
from sidekeep.shelf.sleeve.parts.words import NOTE_WORDS, SIDE_NOTE_WORDS, VARIOUS, WORK_WORDS

_COLON = re.compile(r":\s+")
_BRACKET = re.compile(r"^(?P<title>.*\S)\s*(?:\((?P<round>[^()]+)\)|\[(?P<square>[^\[\]]+)\])$")
_INITIAL = re.compile(r"(?:^|[\s./,&-])[^\W\d_]\.\s?-?[^\W\d_]")
_BY = re.compile(
    r"^(?:by|comp\.?|composed by|music|words|written by|von|par|trad\.?|traditional|arr\.?)\b[:.]?\s*", re.I
)
_NAME_PART = re.compile(
    r"^(?:[^\W\d_]\.\s?-?)*(?:(?:van|von|der|den|de|la|le|du|da|di|del|mac|mc|o)\s)*[^\W\d_][\w'\u2019.-]*(?:\s[^\W\d_][\w'\u2019.-]*){0,3}$"
)
_MANY = 3
"""Fewer lines than this prove no habit."""
_JOINED = re.compile(r"\s*[&+/,;]\s*|\s+(?:and|with|und|et|y|e|og|och)\s+", re.IGNORECASE)
_ARTICLE = re.compile(r"(?:the|a|an|der|die|das|les?|la|el|los|las|il|i|gli)\s", re.IGNORECASE)
_OF_TITLES = re.compile(
    r"[?!()\[\]0-9]|(?<!\w)(?:in|on|at|to|for|from|my|your|our|i|you|me|is|im|auf|für|mein|dans|pour|mon|en|por|mi|nel|per)(?!\w)",
    re.IGNORECASE,
)
"""What titles hold and names of people do not (common practice, no source)."""


@dataclass(kw_only=True)
class Draft:
    """A track line being read. ``attributes`` come from indented lines and win."""

    line: ReadingLine
    printed: PrintedLine
    title: str = ""
    artist: str = ""
    composer: str = ""
    note: str = ""
    attributes: dict[str, str] = field(default_factory=dict)


def settle_people(drafts: Sequence[Draft], record_artist: str) -> None:
    """Fill title, artist, composer and note of every draft."""
    for draft in drafts:
        draft.title = draft.printed.body
    loose = [draft for draft in drafts if not draft.printed.literal and not draft.attributes]
    _settle_columns([draft for draft in loose if len(draft.printed.cells) >= 2], record_artist)
    lines = [draft for draft in loose if len(draft.printed.cells) < 2]
    for draft in lines:
        _take_side_note(draft)
    mixed = not record_artist or VARIOUS.match(record_artist) is not None
    _settle_artists(lines, record_artist, mixed)
    _settle_composers(lines)
    for draft in loose:
        if draft.artist and draft.artist.casefold() == record_artist.casefold():
            draft.artist = ""


def _settle_columns(rows: Sequence[Draft], record_artist: str) -> None:
    """Two or more text cells: artist and title on a mixed record, else title and composer."""
    mixed = not record_artist or VARIOUS.match(record_artist) is not None
    for draft in rows:
        first, second, *rest = draft.printed.cells
        if mixed or first.casefold() == record_artist.casefold():
            draft.artist, draft.title = first, second
        else:
            draft.title, draft.composer = first, second
        draft.note = " ".join(rest)


def _take_side_note(draft: Draft) -> None:
    match = _BRACKET.match(draft.title)
    if match is None:
        return
    inner = match["round"] or match["square"]
    if SIDE_NOTE_WORDS.fullmatch(inner.strip()):
        draft.title, draft.note = match["title"], inner.strip()


def _halves(title: str, pattern: re.Pattern[str]) -> tuple[str, str] | None:
    parts = pattern.split(title, maxsplit=1)
    if len(parts) == 2 and parts[0].strip() and parts[1].strip():
        return parts[0].strip(), parts[1].strip()
    return None


def _settle_artists(lines: Sequence[Draft], record_artist: str, mixed: bool) -> None:
    own = _names_of(record_artist)
    for pattern, artist_first in ((DASH, True), (SLASH, False), (_COLON, True)):
        found = [
            (draft, halves)
            for draft in lines
            if (halves := _halves(draft.title, pattern)) and not draft.artist
        ]
        artists = [halves[0] if artist_first else halves[1] for _, halves in found]
        habit = (
            len(found) >= max(_MANY, 0.8 * len(lines))
            and len({a.casefold() for a in artists}) > len(artists) / 2
        )
        if pattern is DASH and _are_names_behind(found, lines):
            for draft, (title, name) in found:
                draft.title = title
                if mixed or name.casefold() in own:
                    draft.artist = name
                else:
                    draft.composer = name
            continue
        works = sum(bool(WORK_WORDS.search(artist)) for artist in artists) > len(artists) / 2
        for (draft, halves), artist in zip(found, artists):
            title = halves[1] if artist_first else halves[0]
            if pattern is DASH and artist.casefold() not in own and title.casefold() in own:
                artist, title = title, artist
            sure = artist.casefold() in own
            if pattern is _COLON:
                likely = draft.printed.dash_time and not WORK_WORDS.search(artist)
                likely = likely or (mixed and habit and not works)
            else:
                likely = (mixed or habit) and not works
            if sure or likely:
                draft.artist, draft.title = artist, title


def _names_of(record_artist: str) -> set[str]:
    """The record's artist, and each of them where several are named, in small letters."""
    whole = record_artist.casefold()
    return {name for name in (whole, *_JOINED.split(whole)) if name}


def _are_names_behind(found: Sequence[tuple[Draft, tuple[str, str]]], lines: Sequence[Draft]) -> bool:
    """Whether it is the names that stand behind the dash, on most lines: with initials there and none before; or names of
    people there that come back while no title does; or names there and titles before that are no names."""
    named = sum(
        bool(_INITIAL.search(name) and _names(name)) and not _INITIAL.search(title)
        for _, (title, name) in found
    )
    many = max(_MANY, 0.6 * len(lines))
    if named >= many and 2 * named > len(found):
        return True
    titles, names = ([halves[part] for _, halves in found] for part in (0, 1))
    if len(found) < many or not all(_is_person(name) for name in names):
        return False
    people = [person for name in names for person in _JOINED.split(name.casefold())]
    come_back = len(people) - len(set(people))
    if come_back >= 2 and len({title.casefold() for title in titles}) == len(titles):
        return not all(_is_person(title) for title in titles)
    return 2 * sum(bool(_OF_TITLES.search(title)) for title in titles) >= len(titles)


def _is_person(text: str) -> bool:
    """Whether a text could be full names of people: two words and more each, no article before and nothing that titles hold."""
    parts = [part for part in _JOINED.split(text) if part]
    return bool(parts) and all(
        " " in part and _names(part) and not _ARTICLE.match(part) and not _OF_TITLES.search(part)
        for part in parts
    )


def _settle_composers(lines: Sequence[Draft]) -> None:
    found = []
    for draft in lines:
        match = _BRACKET.match(draft.title)
        inner = (match["round"] or match["square"]) if match else ""
        if match is not None and inner and not NOTE_WORDS.search(_BY.sub("", inner)):
            found.append((draft, match["title"], inner.strip()))
    named = [entry for entry in found if _names(entry[2])]
    habit = len(named) >= max(_MANY, 0.6 * len(lines))
    for draft, title, inner in named:
        sure = _BY.match(inner) or re.search(r"\S\s?/\s?\S", inner) or _INITIAL.search(inner)
        if sure or habit:
            draft.title, draft.composer = title, _BY.sub("", inner, count=1) or inner


def _names(text: str) -> bool:
    """True when a bracket could hold people's names: short capitalised words, divided by / , & - or "and"."""
    if _BY.match(text):
        return True
    parts = re.split(r"\s*[/,;&+]\s*|\s+(?:and|und|et|y|e)\s+|\s[-\u2013]\s|(?<=\w)-(?=[A-Z])", text)
    return all(part and _NAME_PART.match(part) and part[0].isupper() for part in parts)
