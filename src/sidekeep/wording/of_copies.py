"""Findings about the copies."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.about import About, Say, SayAll, count


def _moved(about: About) -> str:
    before = about.words("before")
    if len(before) == 1:
        record = (
            " The folder of the record itself keeps its name. Rename it by hand if you like, while nothing works on it: it is "
            "found again by its id."
        )
        return (
            f"The folder {before[0]} was renamed to {about.word('folder')}: it holds the copies of the same takes."
            f"{record if about.has('record') else ''}"
        )
    return f"Copies of the same takes are also in {'; '.join(before)}. Keep the folder you want and remove the others."


def _kept(about: About) -> str:
    if about.word("master"):
        return (
            "The earlier master holds takes or files that the new one does not; it is kept in "
            f"{about.word('master')}."
        )
    files = about.whole("files")
    return (
        f"{count(files, 'file')} of an earlier run {'was' if files == 1 else 'were'} changed since and "
        f"{'stays where it is' if files == 1 else 'stay where they are'} (first: {about.word('first')})."
    )


WORDS: Mapping[str, Say] = {
    "copies-clipped": lambda about: (
        f"{count(about.whole('samples'), 'sample')} lay past full scale and {'was' if about.whole('samples') == 1 else 'were'} "
        "held there. Choose a lower level."
    ),
    "lossy-lowered": lambda about: (
        f"The {about.word('copies')} copies were made {about.number('lowered_db'):.1f} dB lower, all tracks alike, because "
        f"decoded they would have peaked above {about.number('ceiling_dbtp'):g} dBTP."
    ),
    "copies-moved": _moved,
    "copies-kept": _kept,
    "take-changed": lambda about: (
        f"Take {about.word('take')} changed after it was recorded: its checksum differs, as the last check found. The copies "
        f"that are there were made from it as it was, and no new ones can be. Restore its {about.word('name')} from "
        f"{about.word('kept_in') if about.has('kept_in') else 'a backup'}."
    ),
    "copies-of-some-sides": lambda about: (
        f"The copies of side {', '.join(about.words('sides'))} were left as they are. For one level over the whole record "
        "make all sides together."
    ),
    "cd-short-track": lambda about: (
        f"{' / '.join(about.words('titles'))}: joined into one CD track, because a CD track lasts at least 4 s."
    ),
    "cd-too-short": lambda about: "A CD needs at least 4 s of sound; these copies have less.",
    "cd-long": lambda about: f"The CD runs {about.word('length')}: use a disc of 80 minutes, not of 74.",
    "cd-divided": lambda about: (
        f"The record is too long for one CD and was divided between {about.whole('discs')} discs."
    ),
    "cd-too-long": lambda about: f"A track of {about.word('length')} does not fit on any CD.",
}
MANY: Mapping[str, SayAll] = {}
