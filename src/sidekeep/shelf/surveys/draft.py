"""A survey on its way to its place beside the take: whole or not there."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from pathlib import Path
from typing import BinaryIO

import msgspec

from sidekeep.files.atomic import copy_error, flush_file, flush_folder, forget_parts, part_path
from sidekeep.files.checksum import Bytes, SummedFile, bytes_sha256
from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.patches import PatchWriter
from sidekeep.shelf.surveys.files import (
    ARRAYS,
    PATCHES,
    SUMS,
    SURVEY,
    SURVEYS,
    SurveyFacts,
    load_survey,
    packed_arrays,
    plain_number,
)
from sidekeep.shelf.surveys.kept_survey import KeptSurvey

DRAFT = ".draft"
KEPT = 4
"""Surveys kept for one take, the last used ones: one for each size of mending and a spare."""


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
            facts = SurveyFacts(
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
                SURVEY: msgspec.json.encode(facts, enc_hook=plain_number),
                ARRAYS: packed_arrays(survey, key),
            }
            sums |= {name: bytes_sha256(content) for name, content in contents.items()}
            contents[SUMS] = json.dumps({"schema": 2, "key": key, "sha256": sums}, indent=2).encode()
            for name, content in contents.items():
                (self._folder / name).write_bytes(content)
                flush_file(self._folder / name)
            flush_folder(self._folder)
            spoilt = part_path(self._surveys / DRAFT)
            if final.exists() and load_survey(final, key, survey.file) is None:
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


def _put_in_place(draft: Path, final: Path) -> None:
    try:
        os.rename(draft, final)
    except OSError:
        if not final.is_dir():
            raise


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
