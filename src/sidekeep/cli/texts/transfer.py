"""A transfer as a machine reads it, and the kinds of copies as a person does."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sidekeep.cli.terminal.output import print_json, say
from sidekeep.cli.texts.findings import print_findings
from sidekeep.flow.passes.contract import finding_object, survey_object
from sidekeep.service.choices.kinds import kinds_of_copies
from sidekeep.service.transfers.transferred import TransferResult


def print_kinds() -> None:
    """One line per kind of copies."""
    for name, purpose in kinds_of_copies():
        say(f"{name:<16} {purpose}", hang=17)


def transfer_object(result: TransferResult, report_path: Path) -> dict[str, Any]:
    """The object of ``transfer --json``."""
    return {
        "schema": 1,
        "folder": str(result.folder),
        "report": str(report_path),
        "gain_db": round(result.gain.gain_db, 4),
        "gain_text": result.gain.text,
        "files": [
            {
                "path": str(written.path),
                "kind": written.kind,
                "size_bytes": written.size_bytes,
                "sha256": written.sha256,
                "length_frames": written.length_frames,
                "action": written.action,
            }
            for written in result.written
        ],
        "surveys": [survey_object(take.survey) for take in result.takes],
        "findings": [finding_object(finding, 1) for finding in result.copy_findings],
    }


_ACTIONS = {"made": "", "kept": "  (was there, unchanged)", "tagged": "  (was there, new tags)"}


def file_lines(result: TransferResult, report_path: Path, *, by_folder: bool) -> Iterator[str]:
    """One line per file: whole paths for a script, the folder once and names in it for a person."""
    if not by_folder:
        yield from (str(written.path) for written in result.written)
        yield str(report_path)
        return
    yield f"{result.folder}:"
    for written in result.written:
        yield f"  {_within(written.path, result.folder)}{_ACTIONS[written.action]}"
    yield f"  {_within(report_path, result.folder)}"


def _within(path: Path, folder: Path) -> Path:
    return path.relative_to(folder) if path.is_relative_to(folder) else path


def show_transfer(result: TransferResult, report_path: Path, *, machine: bool) -> int:
    """One line per file and the findings, or the JSON object; the exit code."""
    findings = [finding for take in result.takes for finding in take.survey.findings]
    if machine:
        print_json(transfer_object(result, report_path))
    else:
        for line in file_lines(result, report_path, by_folder=sys.stdout.isatty()):
            print(line)
        for take in result.takes:
            print_findings(take.survey.findings, take.source.format.rate_hz)
        print_findings(result.copy_findings, 1)
    severities = {finding.severity for finding in (*findings, *result.copy_findings)}
    return 1 if severities & {"look", "act"} else 0
