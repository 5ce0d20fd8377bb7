"""What listening to a take gave, kept beside it: survey and patches as one, so that copies need no second listening.

A folder ``surveys/<key>`` in the take's folder holds ``survey.json`` (measures, findings, proposed cuts), ``survey.npz``
(repairs and arrays), ``mend.patches`` and ``sums.json`` with the SHA-256 of each. The key names all that decides them and
stands in every file; the folder is made under another name and put in place by one rename, so a survey never meets the
patches of another. What does not fit its key or its checksums counts as absent and is made again.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from sidekeep.errors import ShelfError
from sidekeep.files.bounded import LIST_BYTES, read_bounded, read_json_bounded
from sidekeep.files.checksum import bytes_sha256, text_sha256
from sidekeep.flow.mend import mender_identity
from sidekeep.flow.passes.survey import SURVEY_VERSION, Survey
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings
from sidekeep.shelf.surveys.files import PATCHES, SUMS, SURVEY, SURVEYS, SurveyFacts, load_survey


def survey_key(sha256s: Sequence[str], sides: str, durations: object, mend: MendSettings) -> str:
    """The name of a survey: everything that decides what it finds and the samples it mends.

    ``sides`` and ``durations`` (printed times, as plain values) are what the sleeve says of the take. What the person
    leaves unmended decides nothing here: it is a choice at the time of rendering.
    """
    size = mend.size if mend.enabled else "none"
    facts = [list(sha256s), sides, durations, size, mender_identity() if mend.enabled else "", SURVEY_VERSION]
    return text_sha256(json.dumps(facts, sort_keys=True))[:32]


@dataclass(frozen=True, kw_only=True)
class KeptSurvey:
    """A survey with the place of its patches."""

    survey: Survey
    patches_path: Path
    key: str


def kept_survey(take_folder: Path, key: str, file_name: str) -> KeptSurvey | None:
    """The survey kept under a key, or None when there is none that is whole. ``file_name`` names the take in it."""
    folder = take_folder / SURVEYS / key
    survey = load_survey(folder, key, file_name)
    if survey is None:
        return None
    with contextlib.suppress(OSError):
        os.utime(folder)
    return KeptSurvey(survey=survey, patches_path=folder / PATCHES, key=key)


def kept_conclusions(take_folder: Path, key: str) -> tuple[Cuts, tuple[Finding, ...]] | None:
    """Proposed cuts and findings of the survey kept under a key, without its arrays and patches: quick enough for every take
    of a list. None when there is none that is whole."""
    folder = take_folder / SURVEYS / key
    try:
        sums: Any = read_json_bounded(folder / SUMS, "checksums", error=ShelfError)
        content = read_bounded(folder / SURVEY, "survey", most_bytes=LIST_BYTES, error=ShelfError)
        if sums["key"] != key or bytes_sha256(content) != sums["sha256"][SURVEY]:
            return None
        facts = msgspec.json.decode(content, type=SurveyFacts)
    except (OSError, ValueError, KeyError, TypeError, ShelfError, msgspec.MsgspecError):
        return None
    return (facts.cuts, facts.findings) if facts.key == key else None


def newest_key(take_folder: Path) -> str | None:
    """The key of the survey that was made or used last, without looking into it; None when there is none."""
    try:
        folders = [path for path in (take_folder / SURVEYS).iterdir() if (path / SUMS).is_file()]
        named = [path for path in folders if not path.name.startswith(".")]
        return max(named, key=lambda path: path.stat().st_mtime).name if named else None
    except OSError:
        return None
