"""What the survey of a take found, kept beside it, so that copies can be made again without listening again.

``survey.json`` holds measures, findings, repairs and the proposed cuts, ``survey.npz`` the arrays. ``key`` names
all that the survey depended on (take, mend settings, version): with another key it is made anew.
"""

from __future__ import annotations

import json
import zipfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from sidekeep.files.atomic import whole_file, write_json
from sidekeep.flow.kept_levels import KeptLevels
from sidekeep.flow.survey import Survey
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.model.finding import Finding
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.repair import Repair

SURVEY, ARRAYS = "survey.json", "survey.npz"


def save_survey(folder: Path, survey: Survey, key: str) -> None:
    """Keep a survey in a take's folder."""
    values = {
        "schema": 1,
        "key": key,
        "format": asdict(survey.format),
        "cuts": asdict(survey.cuts),
        "level": asdict(survey.level),
        "noise": asdict(survey.noise),
        "clicks": asdict(survey.clicks),
        "turn": asdict(survey.turn),
        "findings": [{**asdict(finding), "evidence": dict(finding.evidence)} for finding in survey.findings],
        "repairs": [list(asdict(repair).values()) for repair in survey.repairs],
        "window_frames": survey.mended.window_frames,
    }
    with whole_file(folder / ARRAYS, replace=True) as part, part.open("wb") as file:
        np.savez(file, envelope=survey.envelope, powers=survey.mended.powers, peaks=survey.mended.peaks)
    write_json(folder / SURVEY, values, replace=True)


def load_survey(folder: Path, key: str, file_name: str) -> Survey | None:
    """The kept survey, or None when there is none that fits (or can be read)."""
    try:
        values: dict[str, Any] = json.loads((folder / SURVEY).read_text("utf-8"))
        if values.get("key") != key:
            return None
        with np.load(folder / ARRAYS) as arrays:
            envelope, powers, peaks = (arrays[name] for name in ("envelope", "powers", "peaks"))
        return Survey(
            file=file_name,
            format=AudioFormat(**values["format"]),
            cuts=_cuts(values["cuts"]),
            level=Level(**{**values["level"], "dc": tuple(values["level"]["dc"])}),
            noise=Noise(**values["noise"]),
            clicks=Clicks(**values["clicks"]),
            turn=Turn(**values["turn"]),
            findings=tuple(Finding(**finding) for finding in values["findings"]),
            repairs=tuple(
                Repair(**dict(zip(Repair.__dataclass_fields__, row, strict=True)))
                for row in values["repairs"]
            ),
            envelope=envelope,
            mended=KeptLevels(window_frames=values["window_frames"], powers=powers, peaks=peaks),
        )
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile):
        return None


def _cuts(values: dict[str, Any]) -> Cuts:
    sides = tuple(
        SideCuts(**{**side, "tracks": tuple(Track(**track) for track in side["tracks"])})
        for side in values["sides"]
    )
    return Cuts(rate_hz=values["rate_hz"], sides=sides)
