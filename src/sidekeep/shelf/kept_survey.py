"""What listening to a take gave, kept beside it: survey and patches as one, so that copies need no second listening.

A folder ``surveys/<key>`` in the take's folder holds ``survey.json`` (measures, findings, proposed cuts), ``survey.npz``
(repairs and arrays), ``mend.patches`` and ``sums.json`` with the SHA-256 of each. The key names all that decides them and
stands in every file; the folder is made under another name and put in place by one rename, so a survey never meets the
patches of another. What does not fit its key or its checksums counts as absent and is made again.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, get_args

import msgspec
import numpy as np

from sidekeep.errors import ShelfError
from sidekeep.files.atomic import copy_error, flush_file, flush_folder, forget_parts, part_path
from sidekeep.files.bounded import ARRAY_BYTES, LIST_BYTES, read_bounded, read_json_bounded
from sidekeep.files.checksum import Bytes, SummedFile, bytes_sha256, rest_sha256, text_sha256
from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.mend import mender_identity
from sidekeep.flow.passes.survey import SURVEY_VERSION, Survey
from sidekeep.flow.patches import PatchReader, PatchWriter
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Channel, Finding
from sidekeep.model.measures import Clicks, Level, Noise, Turn
from sidekeep.model.recipe import MendSettings
from sidekeep.model.repair import Repair, RepairKind

SURVEYS, SURVEY, ARRAYS, PATCHES, SUMS = "surveys", "survey.json", "survey.npz", "mend.patches", "sums.json"
DRAFT = ".draft"
KEPT = 4
"""Surveys kept for one take, the last used ones: one for each size of mending and a spare."""
_CHANNELS: tuple[Channel, ...] = get_args(Channel)
_KINDS: tuple[RepairKind, ...] = get_args(RepairKind)


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


def _plain_number(value: object) -> object:
    """Evidence and measures may hold numbers of numpy's, which are written like any other."""
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a survey cannot hold {type(value).__name__}")


class _Facts(msgspec.Struct, frozen=True, kw_only=True):
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


class _DraftFile(SummedFile):
    """The patches on their way; a disk that does not take them is told with its place."""

    def __init__(self, file: BinaryIO, place: Path) -> None:
        super().__init__(file)
        self._place = place

    def write(self, data: Bytes) -> int:
        try:
            return super().write(data)
        except OSError as error:
            raise copy_error(error, self._place) from error


class SurveyDraft:
    """A survey on its way: ``patches`` are written as they come, ``finish`` puts everything in place, or ``abandon``."""

    def __init__(self, take_folder: Path) -> None:
        self._surveys = take_folder / SURVEYS
        try:
            self._surveys.mkdir(parents=True, exist_ok=True)
            forget_parts(self._surveys)
            self._folder = part_path(self._surveys / DRAFT)
            self._folder.mkdir()
            self._file = (self._folder / PATCHES).open("x+b")
        except OSError as error:
            raise copy_error(error, self._surveys) from error
        self._summed = _DraftFile(self._file, self._surveys)
        self.patches = PatchWriter(self._summed)

    def moved(self, take_folder: Path) -> None:
        """The take's folder has another name now."""
        self._folder = take_folder / SURVEYS / self._folder.name
        self._surveys = take_folder / SURVEYS

    def finish(self, survey: Survey, key: str) -> KeptSurvey:
        """Keep the survey under its key. One that is there already and whole stays; it is the same."""
        final = self._surveys / key
        try:
            self.patches.close({"key": key})
            self._file.close()
            flush_file(self._folder / PATCHES)
            sums = {PATCHES: self._summed.sha256}
            facts = _Facts(
                key=key,
                format=survey.format,
                cuts=survey.cuts,
                level=survey.level,
                noise=survey.noise,
                clicks=survey.clicks,
                turn=survey.turn,
                findings=survey.findings,
                window_frames=survey.mended.window_frames,
            )
            contents = {
                SURVEY: msgspec.json.encode(facts, enc_hook=_plain_number),
                ARRAYS: _arrays(survey, key),
            }
            sums |= {name: bytes_sha256(content) for name, content in contents.items()}
            contents[SUMS] = json.dumps({"schema": 2, "key": key, "sha256": sums}, indent=2).encode()
            for name, content in contents.items():
                (self._folder / name).write_bytes(content)
                flush_file(self._folder / name)
            flush_folder(self._folder)
            spoilt = part_path(self._surveys / DRAFT)
            if final.exists() and _load(final, key, survey.file) is None:
                os.replace(final, spoilt)
            with contextlib.suppress(FileExistsError):
                _put_in_place(self._folder, final)
            os.utime(final)  # one that was there already is the newest again
            flush_folder(self._surveys)
        except OSError as error:
            self.abandon()
            raise copy_error(error, final) from error
        except BaseException:
            self.abandon()
            raise
        shutil.rmtree(spoilt, ignore_errors=True)
        shutil.rmtree(self._folder, ignore_errors=True)
        _keep_newest(self._surveys, key)
        return KeptSurvey(survey=survey, patches_path=final / PATCHES, key=key)

    def abandon(self) -> None:
        """Leave nothing behind."""
        with contextlib.suppress(
            OSError
        ):  # a full disk refuses what is still in the buffer; the file is closed all the same
            self._file.close()
        shutil.rmtree(self._folder, ignore_errors=True)
        with contextlib.suppress(OSError):
            self._surveys.rmdir()  # only when nothing else is kept there


def kept_survey(take_folder: Path, key: str, file_name: str) -> KeptSurvey | None:
    """The survey kept under a key, or None when there is none that is whole. ``file_name`` names the take in it."""
    folder = take_folder / SURVEYS / key
    survey = _load(folder, key, file_name)
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
        facts = msgspec.json.decode(content, type=_Facts)
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


def _put_in_place(draft: Path, final: Path) -> None:
    try:
        os.rename(draft, final)
    except OSError:
        if not final.is_dir():
            raise


def _load(folder: Path, key: str, file_name: str) -> Survey | None:
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
        facts = msgspec.json.decode(content[SURVEY], type=_Facts)
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


def _arrays(survey: Survey, key: str) -> bytes:
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
    )
    return file.getvalue()


def _repairs(values: Mapping[str, Any]) -> tuple[Repair, ...]:
    columns = (
        values[f"repair_{name}"].tolist() for name in ("starts", "stops", "channels", "kinds", "sizes")
    )
    return tuple(
        Repair(
            start_frame=start, stop_frame=stop, channel=_CHANNELS[channel], kind=_KINDS[kind], size_db=size
        )
        for start, stop, channel, kind, size in zip(*columns, strict=True)
    )


def forget_drafts(take_folder: Path) -> None:
    """Take away what surveys of this take left behind whose processes are gone; an empty folder of surveys goes too."""
    forget_parts(take_folder / SURVEYS)
    with contextlib.suppress(OSError):
        (take_folder / SURVEYS).rmdir()


def _keep_newest(surveys: Path, key: str) -> None:
    """Let go of surveys that have not been used for longest; the newest ``KEPT`` stay."""
    with contextlib.suppress(OSError):
        others = [path for path in surveys.iterdir() if path.name != key and not path.name.startswith(".")]
        others.sort(key=lambda path: path.stat().st_mtime, reverse=True)
        for path in others[KEPT - 1 :]:
            shutil.rmtree(path, ignore_errors=True)
