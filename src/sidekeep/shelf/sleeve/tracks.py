"""Sides and tracks on their way from lines to a record.

Conventions: sides are single capital letters in the order they were opened. A second disc's sides A and B are C and D
of the record; a side AA after side A is the next one.
"""

from __future__ import annotations

import dataclasses
import itertools

from sidekeep.model.record import Side, SleeveTrack
from sidekeep.shelf.sleeve.asked import ask
from sidekeep.shelf.sleeve.outcome import ReadingLine
from sidekeep.shelf.sleeve.parts.headings import Heading
from sidekeep.shelf.sleeve.parts.lines import PrintedLine
from sidekeep.shelf.sleeve.parts.marks import side_letter
from sidekeep.shelf.sleeve.parts.times import like_a_time
from sidekeep.shelf.sleeve.people import Draft, settle_people


class TrackList:
    """Collects sides and tracks. ``maybe`` holds words beside a side's heading: a title, if no other track follows."""

    def __init__(self) -> None:
        self.sides: dict[str, list[Draft]] = {}
        self.side = ""
        self.last: Draft | None = None
        self.maybe: dict[str, tuple[ReadingLine, PrintedLine]] = {}
        self._disc = 1
        self._earlier_sides: frozenset[str] = frozenset()
        self._also: list[tuple[ReadingLine, Draft]] = []
        self._doubled: dict[str, str] = {}

    def open(self, heading: Heading) -> str:
        """Begin a side or a disc; the letter of the side."""
        if heading.disc:
            if heading.disc != self._disc or not heading.side:
                self._earlier_sides = frozenset(self.sides)
            self._disc = heading.disc
        if not heading.side:
            letter = side_letter(2 * self._disc - 1) or "Z"
            self.side = self._next_side() if self.sides.get(letter) else letter
            return self.side
        before = chr(ord(heading.letter) - 1) if heading.letter else ""
        self.side = self._resolve(heading.letter if before in self.sides else heading.side)
        self.sides.setdefault(self.side, [])
        return self.side

    def _resolve(self, letter: str) -> str:
        """A second disc's sides A and B are C and D of the record, and AA is the side after those before it."""
        if len(letter) == 2:
            first = letter[0]
            self._doubled.setdefault(letter, self._next_side() if first in self.sides else first)
            return self._doubled[letter]
        if self._disc > 1 and letter in self._earlier_sides:
            return side_letter(ord(letter) - ord("A") + 1 + 2 * (self._disc - 1)) or letter
        return letter

    def _next_side(self) -> str:
        return chr(min(ord(max(self.sides)) + 1, ord("Z"))) if self.sides else "A"

    def next_number(self) -> int:
        """The number a mark alone on a line must have to be one: 1, or one more than the last."""
        tracks = self.sides.get(self.side, [])
        if not tracks:
            return 1
        return (tracks[-1].printed.number or 0) + 1 if tracks[-1].printed.number else 0

    def add(self, line: ReadingLine, printed: PrintedLine, more: ReadingLine | None = None) -> None:
        """One track; ``more`` is the line its mark stood on."""
        if printed.side:
            self.side = self._resolve(printed.side)
        elif not self.side:
            self.side = "A"
        elif printed.number == 1 and any(other.printed.number for other in self.sides.get(self.side, [])):
            self.side = self._next_side()
        draft = Draft(line=line, printed=printed)
        self.sides.setdefault(self.side, []).append(draft)
        self.last = draft
        self._also += [(each, draft) for each in (line, more) if each is not None]

    def time_alone(self, line: ReadingLine, printed: PrintedLine) -> bool:
        """A time on a line of its own belongs to the track before it, if that has none."""
        if self.last is None or self.last.printed.timed:
            return False
        self.last.printed = dataclasses.replace(self.last.printed, duration_s=printed.duration_s, timed=True)
        self._also.append((line, self.last))
        return True

    def attribute(self, line: ReadingLine, name: str, value: str) -> None:
        """An indented line below a track."""
        assert self.last is not None
        self._also.append((line, self.last))
        if name == "number" and not (value.isdecimal() and value.isascii() and 0 < len(value) < 4):
            line.doubt("no-value", f"{value!r} is not a track number")
            return
        if self.last.attributes.get(name, value) != value:
            line.doubt(
                "said-twice",
                f"the {name} was given before, as {self.last.attributes[name]}; this line counts",
            )
        self.last.attributes[name] = value

    def take_maybe(self) -> list[ReadingLine]:
        """Titles that stood beside the headings of sides without any other track; their lines."""
        taken = []
        for letter, (line, printed) in self.maybe.items():
            if not self.sides.get(letter):
                self.side = letter
                self.add(line, printed)
                taken.append(line)
        return taken

    def settle(self, record_artist: str) -> tuple[Side, ...]:
        """Titles and people told apart, numbers checked, every line told its place."""
        drafts = [draft for tracks in self.sides.values() for draft in tracks]
        self._return_numbers()
        settle_people(drafts, record_artist)
        self._check_numbers()
        self._check_parts()
        self._check_times()
        ask(self.sides)
        sides = []
        places: dict[int, tuple[str, int]] = {}
        for name, tracks in self.sides.items():
            places |= {id(draft): (name, index) for index, draft in enumerate(tracks, start=1)}
            sides.append(
                Side(
                    name=name,
                    tracks=tuple(_track(draft, index) for index, draft in enumerate(tracks, start=1)),
                )
            )
        for line, draft in self._also:
            line.reads_as = "track"
            line.side, line.track = places[id(draft)]
        return tuple(sides)

    def _return_numbers(self) -> None:
        """A bare number before some titles of a side, that counts none of them, is part of the title: ``99 Barrels``."""
        for tracks in self.sides.values():
            numbered = [
                (index, draft)
                for index, draft in enumerate(tracks, start=1)
                if draft.printed.mark.isdecimal() and draft.line.text.startswith(f"{draft.printed.mark} ")
            ]
            marked = sum(bool(draft.printed.mark) for draft in tracks)
            if len(numbered) == marked < len(tracks) and all(
                draft.printed.number != index for index, draft in numbered
            ):
                for _, draft in numbered:
                    printed = draft.printed
                    draft.printed = dataclasses.replace(
                        printed, mark="", number=None, body=f"{printed.mark} {printed.body}"
                    )

    def _check_numbers(self) -> None:
        """Report marks that jump: a line may have been lost."""
        for tracks in self.sides.values():
            numbered = [
                (index, draft) for index, draft in enumerate(tracks) if draft.printed.number is not None
            ]
            for (index, before), (later, after) in itertools.pairwise(numbered):
                step = (after.printed.number or 0) - (before.printed.number or 0)
                parts = before.printed.mark[-1:].isalpha() or after.printed.mark[-1:].isalpha()
                same_side = before.printed.side == after.printed.side
                if step not in (1, later - index) and not parts and same_side:
                    marks = before.printed.mark, after.printed.mark
                    after.line.doubt(
                        "number-jumps",
                        f"number {marks[1]} follows {marks[0]}; a line may be missing",
                        mark=marks[1],
                        before=marks[0],
                    )

    def _check_parts(self) -> None:
        """Report a work that is listed beside its parts: it would be looked for on the side twice. Who says its title outright
        means it."""
        for tracks in self.sides.values():
            for index, whole in enumerate(tracks):
                if "title" in whole.attributes:
                    continue
                time_s, sum_s = whole.printed.duration_s or 0.0, 0.0
                for count, part in enumerate(tracks[index + 1 :], start=1):
                    sum_s += part.printed.duration_s or 0.0
                    if count > 1 and time_s > 0 and abs(sum_s - time_s) <= count and not part.printed.number:
                        whole.line.doubt(
                            "parts-too",
                            f"it lasts as long as the {count} tracks after it: if they are its parts, leave out one or the other",
                            count=count,
                        )
                        break
                    if sum_s > time_s + count or part.printed.number or part.printed.duration_s is None:
                        break

    def _check_times(self) -> None:
        """Report a title that holds what looks like a time, where it has none: for sure, or because most of its side have one or
        look so. It stays a title: only the person knows."""
        for tracks in self.sides.values():
            timed = sum(draft.printed.timed for draft in tracks)
            alike = {
                id(draft): like_a_time(draft.title)
                for draft in tracks
                if not (draft.printed.timed or draft.printed.literal or "title" in draft.attributes)
            }
            alike = {key: found for key, found in alike.items() if found[0]}
            usual = timed + (len(alike) if len(alike) > 1 else 0)
            for draft in tracks:
                time, is_clear = alike.get(id(draft), ("", False))
                if time and (is_clear or 2 * usual >= len(tracks)):
                    draft.line.doubt(
                        "time-perhaps",
                        f"its title seems to hold a time; if it does, write {time} behind it, if not, put the title in quotes",
                        time=time,
                    )


def _track(draft: Draft, index: int) -> SleeveTrack:
    more = draft.attributes
    return SleeveTrack(
        number=int(more.get("number", index)),
        title=more.get("title", draft.title),
        artist=more.get("artist", draft.artist),
        composer=more.get("composer", draft.composer),
        duration_s=draft.printed.duration_s,
        position=more.get("mark", draft.printed.mark),
        note=more.get("note", draft.note),
        isrc=more.get("isrc", ""),
    )
