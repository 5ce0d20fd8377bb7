"""Putting what is known of a take beside it: survey, patches, peaks; the same files however they were made."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from sidekeep import __version__
from sidekeep.copies.keys import key_of
from sidekeep.dsp.level.peak_pyramid import Peaks
from sidekeep.files.atomic import whole_file
from sidekeep.flow.survey import Survey
from sidekeep.model.recipe import MendSettings
from sidekeep.model.record import Side
from sidekeep.service.copies import PATCHES
from sidekeep.shelf.survey_file import save_survey

PEAKS = "peaks.bin"


def survey_key(sums: tuple[str, ...], letters: str, sides: Sequence[Side], mend: MendSettings) -> str:
    """Names all that a survey depends on."""
    durations = [[(track.number, track.duration_s) for track in side.tracks] for side in sides]
    return key_of(__version__, sums, asdict(mend), letters, durations)


def keep_survey(take_folder: Path, survey: Survey, patches: Path, key: str) -> None:
    """Give a finished survey and its patches their names in the take's folder."""
    patches.replace(take_folder / PATCHES)
    save_survey(take_folder, survey, key)


def keep_peaks(take_folder: Path, peaks: Peaks) -> None:
    """Keep the pictures' numbers of a take; what was there is replaced."""
    with whole_file(take_folder / PEAKS, replace=True) as part, part.open("wb") as file:
        peaks.write(file)
        file.flush()
        os.fsync(file.fileno())
