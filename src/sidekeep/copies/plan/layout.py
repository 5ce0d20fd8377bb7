"""Lays out every file that is to be made, before any sound flows: names, spans, rates, tags, keys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from sidekeep.copies.kinds.forms import Form, read_forms
from sidekeep.copies.kinds.table import KINDS, Kind, parse_kinds
from sidekeep.copies.master.build import MasterPlan
from sidekeep.copies.plan.cd_files import add_cd
from sidekeep.copies.plan.collected import Collected, tag_pictures
from sidekeep.copies.plan.planned import LOSSY_CEILING_DBTP, CopyPlan, PlannedFile
from sidekeep.copies.tracks.codes import check_barcode
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.copies.tracks.levels import Piece, RecordLevels
from sidekeep.copies.tracks.naming import NamingRules, folder_name, safe_name, track_path
from sidekeep.copies.tracks.tagging import (
    TransferFacts,
    disc_of_side,
    file_tags,
    side_name_text,
    with_isrcs,
)
from sidekeep.errors import ParameterError
from sidekeep.files.pictures.artwork import Picture
from sidekeep.model.recipe import CopySettings
from sidekeep.model.record import Record


def plan_copies(
    record: Record,
    sides: Sequence[SideAudio],
    kinds: Sequence[str] | str,
    out_dir: Path,
    *,
    naming: NamingRules | None = None,
    facts: TransferFacts | None = None,
    pictures: Sequence[Picture] = (),
    levels: RecordLevels | None = None,
    master: MasterPlan | None = None,
    dither_seed: int = 1,
    settings: CopySettings | None = None,
    lossy_ceiling_dbtp: float = LOSSY_CEILING_DBTP,
    replace_existing: bool = False,
    inputs: Sequence[Path] = (),
    takes: Sequence[str] = (),
    elsewhere: Mapping[str, int] | None = None,
    prepares: bool = False,
) -> CopyPlan:
    """Lay out all copies of a record under ``out_dir/<folder of the record>``.

    ``sides`` go in playing order and hold one span per track; their tracks are named by the sleeve's side of
    the same letter, in order. Without ``levels`` they are measured while the copies are fed. ``settings``
    are the person's choices. ``elsewhere`` counts the tracks of the record's other sides, so that numbers run on from them. A
    plan that ``prepares`` knows that other sides follow (``CopyRun.prepare``). Nothing is written.
    Raises ``ParameterError`` for values that cannot be written (a NUL in a title, a wrong ISRC).
    """
    naming = naming or NamingRules()
    facts = facts or TransferFacts()
    names = parse_kinds(kinds)
    if not sides:
        raise ParameterError("copies-of-no-side")
    letters = [side.side for side in sides]
    if len(set(letters)) != len(letters):
        raise ParameterError("sides-alike", sides=letters)
    if not -12.0 <= lossy_ceiling_dbtp <= 0.0:
        raise ParameterError("lossy-ceiling", lossy_ceiling_dbtp=lossy_ceiling_dbtp)
    settings = settings or CopySettings()
    forms = read_forms(settings.forms)
    if "master" in names and master is None:
        raise ParameterError("master-of-no-take")
    facts = replace(
        facts,
        barcode=check_barcode(facts.barcode or record.barcode),
        counts_through=facts.counts_through or settings.through_numbers,
    )
    facts = with_isrcs(record, sides, facts)
    folder = Path(out_dir) / copies_folder_name(record, naming)
    collected = Collected(
        record=record,
        sides=tuple(sides),
        naming=naming,
        facts=facts,
        pictures=tuple(pictures),
        dither_seed=dither_seed,
        settings=settings,
        lossy_ceiling_dbtp=lossy_ceiling_dbtp,
        elsewhere=elsewhere or {},
        prepares=prepares,
    )
    for name in names:
        _add(collected, KINDS[name].formed(**asdict(forms.get(name, Form()))))
    return CopyPlan(
        folder=folder,
        record=record,
        sides=tuple(sides),
        kinds=names,
        files=tuple(collected.files),
        texts=collected.texts,
        pictures=tag_pictures(pictures),
        levels=levels,
        master=master if "master" in names else None,
        record_key=collected.record_key,
        dither_seed=dither_seed,
        lossy_ceiling_dbtp=lossy_ceiling_dbtp,
        id3_version=3 if settings.old_tags else 4,
        cd_picture=settings.cd_picture,
        replace=replace_existing,
        findings=tuple(collected.findings),
        facts=facts,
        inputs=tuple(inputs),
        takes=tuple(takes),
    )


def copies_folder_name(record: Record, naming: NamingRules | None = None) -> str:
    """What the folder of a record's copies is called, as its sleeve is read now."""
    values = {
        "artist": record.artist,
        "title": record.title,
        "year": str(record.year) if record.year else "",
        "label": record.label,
        "catalogue_number": record.catalogue_number,
    }
    return folder_name(naming or NamingRules(), values)


def _add(to: Collected, kind: Kind) -> None:
    """All files of a kind."""
    if kind.scope == "track":
        _add_tracks(to, kind)
    elif kind.scope == "side":
        for index in range(len(to.sides)):
            _add_whole(to, kind, [piece for piece in to.pieces if piece[0] == index])
    elif kind.scope == "record":
        _add_whole(to, kind, to.pieces)
    elif kind.scope == "cd":
        add_cd(to, kind)
    if kind.scope != "master" and (kind.scope != "cd" or to.settings.cd_picture):
        _add_pictures(to, kind.name)


def _add_pictures(to: Collected, folder: str) -> None:
    """The pictures as files: the cover is the front, or the first there is."""
    front = to.settings.front_file
    for picture in to.pictures:
        names = ("cover", "folder") if front == "both" else (front,)
        for name in names if picture is to.pictures[0] else (picture.kind,):
            to.texts.setdefault(f"{folder}/{name}.jpg", picture.data)


def _add_tracks(to: Collected, kind: Kind) -> None:
    taken: set[str] = set()
    first = len(to.files)
    has_folders = to.settings.disc_folders and max(each.discs for each in to.tracks.values()) > 1
    folders: dict[str, list[PlannedFile]] = {}
    for piece in to.pieces:
        facts = to.tracks[piece]
        folder = kind.name
        if has_folders:
            folder = f"{kind.name}/disc {facts.disc}"
            width = max(2, len(str(facts.tag_total)))
            facts = replace(facts, number_text=f"{facts.tag_number:0{width}d}")
        path = track_path(to.naming, facts.naming_values(), kind.suffix, taken, folder=folder)
        tags = file_tags(to.record, to.facts, facts)
        planned = to.add_file(kind, path, [piece], tags, kind.rate_hz(to.sides[piece[0]].rate_hz))
        folders.setdefault(folder, []).append(planned)
    # Players look for list and cover where the tracks are; one list plays all discs in a row.
    for folder, files in {**folders, kind.name: to.files[first:]}.items():
        _add_playlist(to, folder, files)
        if folder != kind.name:
            _add_pictures(to, folder)


def _add_playlist(to: Collected, folder: str, files: Sequence[PlannedFile]) -> None:
    from sidekeep.copies.sheets.playlist import PlaylistEntry, playlist_path, playlist_text

    entries = [
        PlaylistEntry(
            path=each.path.removeprefix(f"{folder}/"),
            length_s=each.length_frames / each.rate_hz,
            label=each.label,
        )
        for each in files
    ]
    to.texts[playlist_path(folder, to.record.title)] = playlist_text(entries)


def _add_whole(to: Collected, kind: Kind, pieces: list[Piece]) -> None:
    rate_hz = kind.rate_hz(max(to.sides[side].rate_hz for side, _ in pieces))
    title = to.record.title or "Record"
    tags = file_tags(to.record, to.facts, None)
    if kind.scope == "side":
        side = to.sides[pieces[0][0]].side
        title = f"{title} ({side_name_text(side)})"
        number, total = _side_number(to, pieces)
        first = to.tracks[pieces[0]]
        tags = replace(tags, side=side, track_number=number, track_total=total)
        tags = replace(tags, disc_number=first.disc, disc_total=first.discs)
    else:
        tags = replace(tags, track_number=1, track_total=1)
    tags = replace(tags, title=title)
    file_name = safe_name(title, kind.suffix)
    path = f"{kind.name}/{file_name}"
    if kind.suffix == ".flac":
        sheet = to.cue_sheet([(file_name, "WAVE", to.marks(kind, pieces, rate_hz))], title, rate_hz)
        to.texts[path.removesuffix(kind.suffix) + ".cue"] = sheet
        tags = replace(tags, cue_sheet=sheet.decode("utf-8").replace("\r\n", "\n"))
    to.add_file(kind, path, pieces, tags, rate_hz)


def _side_number(to: Collected, pieces: list[Piece]) -> tuple[int, int]:
    """A file for a side is numbered as its side is: on its disc, or through the record."""
    first = to.tracks[pieces[0]]
    names = sorted({facts.side for facts in to.tracks.values()} | set(to.elsewhere))
    if first.discs > 1 and not to.facts.counts_through:
        names = [name for index, name in enumerate(names) if disc_of_side(name, index) == first.disc]
    return names.index(first.side) + 1, len(names)
