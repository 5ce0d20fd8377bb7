"""From a transfer to the page that tells it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

from sidekeep.copies.kept.manifest import add_to_manifest
from sidekeep.copies.report.data import render_report
from sidekeep.files.atomic import write_text
from sidekeep.files.pictures import Picture
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.service.report_view import report_data
from sidekeep.service.transfer import TransferOptions, TransferResult, transfer

REPORT_NAME = "report.html"


def transfer_with_report(
    files: Sequence[Path],
    *,
    out_dir: Path,
    sleeve_path: Path | None = None,
    options: TransferOptions | None = None,
    pictures: Sequence[Picture] = (),
    progress: Progress = no_progress,
) -> tuple[TransferResult, Path]:
    """The whole job, and the path of its report, which is in the manifest like every other file."""
    result = transfer(
        files, out_dir=out_dir, sleeve_path=sleeve_path, options=options, pictures=pictures, progress=progress
    )
    return result, write_report(result, pictures)


def write_report(result: TransferResult, pictures: Sequence[Picture] = ()) -> Path:
    """Write the page beside the copies and into their manifest."""
    path = result.folder / REPORT_NAME
    front = next((picture.data for picture in pictures if picture.kind == "front"), None)
    write_text(path, render_report(report_data(result, front, date.today())), replace=True)
    add_to_manifest(result.folder, [REPORT_NAME])
    return path
