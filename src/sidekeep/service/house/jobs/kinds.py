"""The long work a page can ask for, by name, with plain values in and out: what the worker process runs.

Every function takes the shelf, its own plain arguments and a progress, and returns values ready for JSON.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from sidekeep.errors import CopyError, RecordBusy, SidekeepError
from sidekeep.files.atomic import forget_parts_below
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.passes.contract import facts_object
from sidekeep.flow.progress import Progress, part
from sidekeep.flow.tracks.titles import TitleChoice
from sidekeep.model.finding import Finding
from sidekeep.service.choices.kinds import facts_from, naming_from
from sidekeep.service.choices.recipes import wish_from
from sidekeep.service.comparing.combine import combine
from sidekeep.service.comparing.compare import compare
from sidekeep.service.comparing.piecing import PutTogether, put_together
from sidekeep.service.house.library import take_id
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.pyramids import BANDS, PEAKS
from sidekeep.service.shelf.verify import verify
from sidekeep.service.transfers.copies import copy_record, survey_kept
from sidekeep.service.transfers.transferred import TransferOptions
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from sidekeep.wording.findings import told

UPLOADS = ".uploads"
"""Folder of the shelf where recordings wait that are being sent in."""


def _survey(shelf: Path, progress: Progress, *, folder: str) -> dict[str, Any]:
    """Listen once to every chosen take; also draws its picture and its spectrum."""
    record = RecordFolder(Path(folder))
    surveys = survey_kept(shelf, record, part(progress, 0.0, 0.95))
    for take in record.chosen_takes():
        place = record.path / take.folder
        files = [place / file.name for file in take.files]
        PEAKS.of(place, open_take(files), part(progress, 0.95, 0.96))
        BANDS.of(place, open_take(files), part(progress, 0.96, 1.0))
    return {
        "takes": len(surveys),
        "repairs": sum(len(each.survey.repairs) for each in surveys),
        "findings": [
            view for each in surveys for view in _findings(each.survey.findings, each.survey.format.rate_hz)
        ],
    }


def _copies(
    shelf: Path,
    progress: Progress,
    *,
    folder: str,
    kinds: list[str],
    replace: bool = False,
    titles: TitleChoice = "sure",
    comment: str = "",
    track_names: str = "",
    old_tags: bool | None = None,
) -> dict[str, Any]:
    options = TransferOptions(
        kinds=kinds,
        replace=replace,
        titles=titles,
        facts=facts_from(comment=comment),
        naming=naming_from(track_names or None),
    )
    wish = wish_from(old_tags=old_tags)
    result, _ = copy_record(shelf, folder, options=options, recipe=wish, progress=progress)
    return {
        "files": [
            {
                "name": written.path.relative_to(result.folder).as_posix(),
                "size_bytes": written.size_bytes,
                "action": written.action,
            }
            for written in result.written
        ],
        "gain_db": result.gain.gain_db,
        "findings": _findings(result.copy_findings, 1),
    }


def _verify(
    shelf: Path, progress: Progress, *, folder: str = "", decode_flac: bool = False
) -> dict[str, Any]:
    checked = verify(shelf, [folder] if folder else [], decode_flac=decode_flac, progress=progress)
    return {
        "ok": all(each.result.ok for each in checked),
        "complete": all(each.result.is_complete for each in checked),
        "places": [
            {
                "name": each.place.name,
                "ok": each.result.ok,
                "checked_files": each.result.checked_files,
                "checked_bytes": each.result.checked_bytes,
                "changed": list(each.result.changed),
                "missing": list(each.result.missing),
                "extra": list(each.result.extra),
                "unreadable": list(each.result.unreadable),
                "faults": list(each.result.faults),
                "unchecked": list(each.result.unchecked),
            }
            for each in checked
        ],
    }


def _adopt(
    shelf: Path, progress: Progress, *, folder: str, upload: str, name: str, sides: str, stylus: str = ""
) -> dict[str, Any]:
    """Bring in a recording that was sent; the copy that was sent is removed when it is safe on the shelf."""
    waiting = shelf / UPLOADS / upload
    record = RecordFolder(Path(folder))
    # Renamed to what it was called, so that the take remembers it.
    named = waiting.with_name(f"{upload}-folder") / name
    try:
        named.parent.mkdir(exist_ok=True)
        os.replace(waiting, named)
        adopted = adopt(
            [named],
            shelf=shelf,
            record_name=folder,
            side_letters=[sides],
            stylus=stylus,
            progress=part(progress, 0.0, 0.6),
        )
        (take,) = adopted.takes
        place = record.path / take.folder
        PEAKS.of(place, open_take([place / file.name for file in take.files]), part(progress, 0.6, 1.0))
        return {"take": take_id(record.record_id, take), "side": take.side}
    except SidekeepError as error:  # whoever sent it knows it by its name
        error.facts = {key: name if value == str(named) else value for key, value in error.facts.items()}
        raise
    finally:
        waiting.unlink(missing_ok=True)
        shutil.rmtree(waiting.with_name(f"{upload}-folder"), ignore_errors=True)


def _compare(shelf: Path, progress: Progress, *, folder: str, old: str, new: str) -> dict[str, Any]:
    """What has changed between two takes of a record; the outcome stays with the record."""
    with at_work(Path(folder), "comparing two takes"):
        result = compare(shelf, str(Path(folder) / old), str(Path(folder) / new), progress=progress)
    if result.not_kept is not None:
        raise result.not_kept
    return {
        "same": result.values["same"],
        "findings": _findings(result.findings, max(result.comparison.rate_hz, 1)),
    }


def _combine(
    shelf: Path, progress: Progress, *, folder: str, takes: list[str], pieces: bool = False
) -> dict[str, Any]:
    """One better take out of several, or one out of the ``pieces`` of a side; they stay as they are, and the new one lies beside
    them."""
    record = RecordFolder(Path(folder))
    names = [str(record.path / take) for take in takes]
    facts: dict[str, Any]
    with at_work(record.path, "combining takes"):
        if pieces:
            joined = put_together(shelf, names, progress=part(progress, 0.0, 0.9))
            take, facts = joined.take, {"seams": _seams(joined)}
        else:
            made = combine(shelf, names, progress=part(progress, 0.0, 0.9))
            take, facts = made.take, {"replaced_frames": made.facts.replaced_frames}
    assert take is not None
    place = record.path / take.folder
    PEAKS.of(place, open_take([place / file.name for file in take.files]), part(progress, 0.9, 1.0))
    return {
        "take": take_id(record.record_id, take),
        "side": take.side,
        "number": take.number,
        **facts,
    }


def _seams(joined: PutTogether) -> list[dict[str, Any]]:
    return [{"frame": frame, "how": seam.how} for frame, seam in zip(joined.places, joined.seams)]


def _findings(findings: Sequence[Finding], rate_hz: int) -> list[dict[str, Any]]:
    return [
        {
            "code": line.kind,
            "facts": facts_object(line.findings[0]),
            "text": line.text,
            "severity": line.severity,
        }
        for line in told(findings, rate_hz)
    ]


KINDS: dict[str, Callable[..., dict[str, Any]]] = {
    "survey": _survey,
    "copies": _copies,
    "verify": _verify,
    "adopt": _adopt,
    "compare": _compare,
    "combine": _combine,
}


def clear_up(shelf: Path, kind: str, arguments: dict[str, Any]) -> None:
    """What a stopped job left: temporary names, work folders, copies half made. Takes are not among it: one that comes gets its
    name whole, and one without facts is being recorded. Nothing is touched while somebody else is at work on the record."""
    folder = arguments.get("folder", "")
    if folder:
        with contextlib.suppress(RecordBusy, CopyError), at_work(Path(folder), "clearing up"):
            _clear_record(Path(folder))
    if kind == "adopt":
        upload = shelf / UPLOADS / arguments["upload"]
        upload.unlink(missing_ok=True)
        shutil.rmtree(upload.with_name(f"{upload.name}-folder"), ignore_errors=True)


def _clear_record(folder: Path) -> None:
    forget_parts_below(folder)
    for path in folder.rglob(".making"):
        shutil.rmtree(path, ignore_errors=True)
