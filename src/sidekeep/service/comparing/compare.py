"""Compare two takes of a side and keep what came of it with the record."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.atomic import copy_error, refuse_existing, write_json, write_text
from sidekeep.files.bounded import kept_json
from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.flow.comparison.told.contract import comparison_object
from sidekeep.flow.comparison.told.lossy import without_lossy
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.model.finding import Finding
from sidekeep.service.comparing.evening import COMPARISONS, evening_of
from sidekeep.service.comparing.heard import keep_alignment
from sidekeep.service.comparing.history import side_history
from sidekeep.service.comparing.page import comparison_page
from sidekeep.service.comparing.takes import NamedTake, named_take
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.wording.findings import told

PAGES = ("comparison.json", "comparison.txt", "report.html")
"""What a comparison writes; the first says of which takes it is."""


@dataclass(frozen=True, kw_only=True)
class ComparisonResult:
    """What was found, as values and as the object of ``--json``; ``folder`` where it is kept, if it is; ``not_kept`` why it could
    not be, for a minute of listening is not thrown away over it."""

    old: NamedTake
    new: NamedTake
    comparison: Comparison
    findings: tuple[Finding, ...]
    values: dict[str, Any]
    folder: Path | None = None
    not_kept: CopyError | None = None


def compare(
    shelf: Path,
    old_name: str,
    new_name: str,
    *,
    out_dir: Path | None = None,
    progress: Progress = no_progress,
) -> ComparisonResult:
    """Compare two takes. Two takes of one record on the shelf keep the outcome in its ``comparisons`` folder; with
    ``out_dir`` it is written there (report, text, JSON), over an earlier comparison of the same two only."""
    old = named_take(shelf, old_name)
    new = named_take(shelf, new_name, old)
    if {path.resolve() for path in old.paths} & {path.resolve() for path in new.paths}:
        raise ParameterError("takes-alike")
    folder = out_dir
    if (
        folder is None
        and old.record is not None
        and new.record is not None
        and old.record.path == new.record.path
    ):
        folder = old.record.path / COMPARISONS / f"{old.name} and {new.name}"
    if folder is not None:
        _refuse_others(folder, old, new)  # a minute of listening before it is said would be for nothing
    with reading_whole(old.source, old.paths), reading_whole(new.source, new.paths):
        heard = compare_takes(old.source, new.source, part(progress, 0.0, 0.95))
    comparison = without_lossy(heard, _lossy(old, new))
    findings = (*_about_files(old, new), *conclusions(comparison, evening_of(shelf, old, new)))
    values = comparison_object(comparison, list(findings), old.name, new.name)
    result = ComparisonResult(
        old=old, new=new, comparison=comparison, findings=findings, values=values, folder=folder
    )
    try:
        with ExitStack() as stack:
            if folder is not None and out_dir is None and new.record is not None:
                doing = "keeping a comparison"
                stack.enter_context(
                    at_work(new.record.path, doing, wait_s=None, waiting=lambda text: progress(0.95, text))
                )
            if folder is not None:
                _keep(result, folder)
            if folder is not None and out_dir is None:
                keep_alignment(folder, comparison, replace=True)
    except CopyError as error:
        result = replace(result, folder=None, not_kept=error)
    progress(1.0, "compared")
    return result


def kept_comparison(record: RecordFolder, old_name: str, new_name: str) -> Path | None:
    """The folder of an earlier comparison of two takes of a record, by the names of their folders; None without one."""
    folder = record.path / COMPARISONS / f"{old_name} and {new_name}"
    return folder if (folder / PAGES[0]).is_file() else None


def _refuse_others(folder: Path, old: NamedTake, new: NamedTake) -> bool:
    """Raise ``CopyError`` where one of the files is there and is not of these two takes; whether an earlier one of theirs is."""
    kept = folder / PAGES[0]
    is_ours = kept.exists() and _names_of(kept) == (old.name, new.name)
    for name in PAGES:
        refuse_existing(folder / name, replace=is_ours)
    return is_ours


def _keep(result: ComparisonResult, folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise copy_error(error, folder) from error
    facts = {
        **result.values,
        "old_taken_utc": result.old.take.taken_utc if result.old.take else "",
        "new_taken_utc": result.new.take.taken_utc if result.new.take else "",
    }
    is_ours = _refuse_others(folder, result.old, result.new)
    values, text, page = (folder / name for name in PAGES)
    write_json(values, facts, replace=is_ours)
    write_text(text, comparison_text(result), replace=is_ours)
    record, take = result.new.record, result.new.take
    history = side_history(record, take.folder_name.rpartition("-")[0]) if record and take else []
    write_text(
        page,
        comparison_page(result.comparison, result.findings, result.old, result.new, history),
        replace=is_ours,
    )


def _names_of(path: Path) -> tuple[str, str]:
    values: Any = kept_json(path)
    try:
        return str(values["old"]), str(values["new"])
    except (KeyError, TypeError):
        return "", ""


def comparison_text(result: ComparisonResult) -> str:
    """The findings as plain sentences."""
    lines = [f"{result.old.name} (old) and {result.new.name} (new)", ""]
    lines += [f"- {line.text}" for line in told(result.findings, max(result.comparison.rate_hz, 1))]
    return "\n".join(lines) + "\n"


def _lossy(old: NamedTake, new: NamedTake) -> list[Literal["old", "new"]]:
    named: tuple[tuple[Literal["old", "new"], NamedTake], ...] = (("old", old), ("new", new))
    return [name for name, take in named if take.source.format.is_lossy]


def _about_files(old: NamedTake, new: NamedTake) -> Iterator[Finding]:
    """What limits a comparison before anything is heard: mono, a lossy file, another rate."""
    for name in _lossy(old, new):
        yield Finding(
            kind="compare-lossy",
            start_frame=0,
            stop_frame=0,
            severity="look",
            facts={"take": (old if name == "old" else new).name},
        )
    if old.source.format.channels != new.source.format.channels:
        yield Finding(
            kind="compare-mono",
            start_frame=0,
            stop_frame=0,
            severity="look",
        )
