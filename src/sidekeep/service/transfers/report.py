"""From a transfer to the page that tells it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import sidekeep
from sidekeep.copies.report.page import render_report
from sidekeep.copies.run.successors import write_report_file
from sidekeep.files.pictures.artwork import Picture
from sidekeep.flow.progress import Progress, no_progress
from sidekeep.service.transfers.report_view import report_data
from sidekeep.service.transfers.transfer import transfer
from sidekeep.service.transfers.transferred import TransferOptions, TransferResult


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
    return result, write_report(result, pictures, replace=bool(options and options.replace))


def write_report(result: TransferResult, pictures: Sequence[Picture] = (), *, replace: bool = False) -> Path:
    """Write the page beside the copies and into their manifest."""
    front = next((picture.data for picture in pictures if picture.kind == "front"), None)
    page = render_report(report_data(result, front, date.today()))
    return write_report_file(
        result.folder, page.encode("utf-8"), replace=replace, made_by=f"sidekeep {sidekeep.__version__}"
    )
