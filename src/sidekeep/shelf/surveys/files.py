"""The files of a kept survey: facts as JSON, arrays as NumPy keeps them, patches, and the checksums of all three."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

import msgspec
import numpy as np

from sidekeep.errors import ShelfError
from sidekeep.files.bounded import ARRAY_BYTES, LIST_BYTES, read_bounded, read_json_bounded
from sidekeep.files.checksum import bytes_sha256, rest_sha256
from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.patches import PatchReader
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Channel, Finding
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.repair import Repair, RepairKind

SURVEYS, SURVEY, ARRAYS, PATCHES, SUMS = "surveys", "survey.json", "survey.npz", "mend.patches", "sums.json"
_CHANNELS: tuple[Channel, ...] = get_args(Channel)
_KINDS: tuple[RepairKind, ...] = get_args(RepairKind)


def plain_number(value: object) -> object:
    """Evidence and measures may hold numbers of numpy's, which are written like any other."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a survey cannot hold {type(value).__name__}")


class SurveyFacts(msgspec.Struct, frozen=True, kw_only=True):
    """``survey.json``."""

    key: str
    format: AudioFormat
    cuts: Cuts
    level: Level
    noise: Noise
    clicks: Clicks
    turn: Turn
    findings: tuple[Finding, ...]
    window_frames: int
    schema: int = 2


def load_survey(folder: Path, key: str, file_name: str) -> Survey | None:
    """The survey in a folder, or None when it is not whole or another's. ``file_name`` names the take in it."""
    try:
        sums: Any = read_json_bounded(folder / SUMS, "checksums", error=ShelfError)
        if sums["key"] != key:
            return None
        content = {
            SURVEY: read_bounded(folder / SURVEY, "survey", most_bytes=LIST_BYTES, error=ShelfError),
            ARRAYS: read_bounded(folder / ARRAYS, "arrays", most_bytes=ARRAY_BYTES, error=ShelfError),
        }
        for name, value in content.items():
            if bytes_sha256(value) != sums["sha256"][name]:
                return None
        with (folder / PATCHES).open("rb") as file:
            if rest_sha256(file) != sums["sha256"][PATCHES]:
                return None
            file.seek(0)
            if PatchReader(file).facts.get("key") != key:
                return None
        facts = msgspec.json.decode(content[SURVEY], type=SurveyFacts)
        with np.load(io.BytesIO(content[ARRAYS])) as arrays:
            values = {name: arrays[name] for name in arrays.files}
    except (OSError, ValueError, KeyError, TypeError, zipfile.BadZipFile, ShelfError, msgspec.MsgspecError):
        return None
    if facts.key != key or str(values["key"]) != key:
        return None
    return Survey(
        file=file_name,
        format=facts.format,
        cuts=facts.cuts,
        level=facts.level,
        noise=facts.noise,
        clicks=facts.clicks,
        turn=facts.turn,
        findings=facts.findings,
        repairs=_repairs(values),
        envelope=values["envelope"],
        mended=_levels(facts.window_frames, values, "mended"),
        recorded=_levels(facts.window_frames, values, "recorded"),
    )


def _levels(window_frames: int, values: Mapping[str, Any], name: str) -> KeptLevels:
    return KeptLevels(
        window_frames=window_frames, powers=values[f"{name}_powers"], peaks=values[f"{name}_peaks"]
    )


def packed_arrays(survey: Survey, key: str) -> bytes:
    """What ``survey.npz`` holds."""
    repairs = survey.repairs
    file = io.BytesIO()
    np.savez(
        file,
        key=np.array(key),
        envelope=survey.envelope,
        mended_powers=survey.mended.powers,
        mended_peaks=survey.mended.peaks,
        recorded_powers=survey.recorded.powers,
        recorded_peaks=survey.recorded.peaks,
        repair_starts=np.array([repair.start_frame for repair in repairs], np.int64),
        repair_stops=np.array([repair.stop_frame for repair in repairs], np.int64),
        repair_channels=np.array([_CHANNELS.index(repair.channel) for repair in repairs], np.int8),
        repair_kinds=np.array([_KINDS.index(repair.kind) for repair in repairs], np.int8),
        repair_sizes=np.array([repair.size_db for repair in repairs], np.float64),
        repair_doubts=np.array([repair.in_doubt for repair in repairs], np.bool_),
    )
    return file.getvalue()


def _repairs(values: Mapping[str, Any]) -> tuple[Repair, ...]:
    # what was kept before places could be in doubt names none
    doubts = values.get("repair_doubts", np.zeros(len(values["repair_starts"]), np.bool_))
    columns = [
        *(values[f"repair_{name}"].tolist() for name in ("starts", "stops", "channels", "kinds", "sizes")),
        doubts.tolist(),
    ]
    return tuple(
        Repair(
            start_frame=start,
            stop_frame=stop,
            channel=_CHANNELS[channel],
            kind=_KINDS[kind],
            size_db=size,
            in_doubt=in_doubt,
        )
        for start, stop, channel, kind, size, in_doubt in zip(*columns, strict=True)
    )
