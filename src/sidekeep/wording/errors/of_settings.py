"""Errors about the recipe and the edits of a record."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Sentence

WORDS: Mapping[str, Sentence] = {
    "edit": "this is not an edit: {reason}",
    "choice-do": "mend choice {do!r} must be leave or mend",
    "choice-kind": "kind {of_kind!r} of a mend choice must be tick, pop, crackle or thump",
    "choice-empty": "a mend choice must name a repair, a region, a kind or a size",
    "choice-span": "stop_frame={stop_frame} of a mend choice must lie after start_frame={start_frame}",
    "mend-size": "mend size {size!r} must be gentle, even or thorough",
    "level-target": "level target {target!r} must be peak, loudness or none",
    "level-peak": "peak_dbtp={peak_dbtp:g} must lie between -20 and 0",
    "level-loudness": "loudness_lufs={loudness_lufs:g} must lie between -40 and -5",
    "lead-in": "lead_in {lead_in!r} must be cut, needle or groove",
    "front-file": "front_file {front_file!r} must be cover, folder or both",
    "picture-px": "picture_px={picture_px} must lie between 64 and 10000",
    "picture-kb": "picture_kb={picture_kb} must be 0 or lie between 10 and 100000",
    "owner-too-long": "the owner's name is longer than 1000 characters",
    "edge-seconds": "{name}={value:g} must lie between 0 and 10",
    "form-word-missing": "form {form!r} must be a kind and its form, such as lossless=16",
}
