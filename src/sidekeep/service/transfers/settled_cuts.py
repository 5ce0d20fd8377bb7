"""The cuts that copies are made from: the person's where they changed any, the survey's elsewhere, kept in ``cuts.toml``.

Cuts belong to the take they were made on. A new take of a side gets the new survey's cuts; what a person had moved on the
take before is looked for in the new sound, taken over where it is found for sure, and told, found or not; what was not found is
told again until the new take is cut by hand too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from sidekeep.errors import SidekeepError
from sidekeep.files.reading.reader import open_take
from sidekeep.flow.comparison.laying.places import lay_takes
from sidekeep.flow.ports import AudioSource
from sidekeep.flow.tracks.titles import TitleChoice, settle_titles
from sidekeep.model.cuts import Cuts, SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.record import Side
from sidekeep.service.transfers.transferred import SurveyedTake
from sidekeep.shelf.choices.choice_files import put_side, side_path, sides_in
from sidekeep.shelf.choices.choices import change_choices, read_choices
from sidekeep.shelf.choices.journal import State
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.units import frames_to_seconds, seconds_to_frames


def settle_cuts(
    folder: RecordFolder,
    takes: Sequence[tuple[ShelfTake, SurveyedTake]],
    owners: Mapping[str, str],
    printed: Sequence[Side],
    titles: TitleChoice = "sure",
) -> list[SurveyedTake]:
    """Every surveyed take with the cuts that count. ``owners`` says which take a side is made from; ``titles`` other than
    ``sure`` are the person's own choice and count as an edit."""
    told: dict[str, list[Finding]] = {}
    before = read_choices(folder.path).sides
    missed = _missed_before(folder)
    carried = {
        take.sha256: _carry(folder, take, surveyed, before, missed, told.setdefault(take.sha256, []))
        for take, surveyed in takes
    }
    looked_for: dict[str, list[list[str]]] = {}
    for take, _ in takes:
        for finding in told[take.sha256]:
            fact = finding.kind.removeprefix("marks-").replace("-", "_")
            looked_for.setdefault(fact, []).append([take.folder_name, str(finding.facts["side"])])

    def change(state: State) -> State:
        for take, surveyed in takes:
            _settle_take(state, take, surveyed, carried[take.sha256], owners, printed, titles)
        return state

    choices, _ = change_choices(
        folder.path,
        "cuts-proposed" if titles == "sure" else "titles",
        {"takes": [take.folder_name for take, _ in takes]}
        | ({} if titles == "sure" else {"titles": titles})
        | looked_for,
        change,
        by="survey" if titles == "sure" else "person",
    )
    settled = []
    for take, surveyed in takes:
        sides = [side for side in choices.cuts_of(take.sha256) if _is_owned(take, side, owners)]
        sides.sort(key=lambda side: side.needle_down_frame)
        cuts = Cuts(rate_hz=take.rate_hz, sides=tuple(replace(side, rate_hz=0) for side in sides))
        findings = (*told[take.sha256], *surveyed.survey.findings)
        settled.append(replace(surveyed, survey=replace(surveyed.survey, cuts=cuts, findings=findings)))
    return settled


def _is_owned(take: ShelfTake, side: SideCuts, owners: Mapping[str, str]) -> bool:
    return owners.get(side.side, take.folder) == take.folder


def _settle_take(
    state: State,
    take: ShelfTake,
    surveyed: SurveyedTake,
    carried: Sequence[SideCuts],
    owners: Mapping[str, str],
    printed: Sequence[Side],
    titles: TitleChoice,
) -> None:
    proposed = surveyed.survey.cuts
    own = {
        side.side: replace(side, take=take.sha256, rate_hz=take.rate_hz)
        for side in proposed.sides
        if _is_owned(take, side, owners)
    }
    kept = {side.side: side for side in sides_in(state) if side.take == take.sha256}
    for letter, side in kept.items():
        if side.is_a_persons:
            own[letter] = side
        elif letter not in own:
            del state[side_path(side.take, letter)]
    for side in carried:
        if side.side not in kept:
            own[side.side] = side
    whole = Cuts(rate_hz=proposed.rate_hz, sides=tuple(own.values()))
    for side in settle_titles(whole, proposed, printed, titles).sides:
        put_side(state, side)
    for side in sides_in(state):
        if not side.take and side.side in own:
            # written by hand, or before cuts named their take
            del state[side_path("", side.side)]


def _missed_before(folder: RecordFolder) -> set[tuple[str, str]]:
    """Takes and sides on which an earlier survey could not find a person's marks again."""
    return {which for which, is_found in read_choices(folder.path).carried.items() if not is_found}


def _carry(
    folder: RecordFolder,
    take: ShelfTake,
    surveyed: SurveyedTake,
    before: Sequence[SideCuts],
    missed: set[tuple[str, str]],
    told: list[Finding],
) -> list[SideCuts]:
    """What a person moved on an earlier take of a side, on the new one."""
    known = {side.side: side for side in before if side.take == take.sha256}
    carried = []
    for proposal in surveyed.survey.cuts.sides:
        older = [side for side in before if side.side == proposal.side and side.take != take.sha256]
        older = [side for side in older if side.is_a_persons]
        if not older:
            continue
        old = older[-1]
        if proposal.side in known:
            if not known[proposal.side].is_a_persons and (take.folder_name, proposal.side) in missed:
                told.append(_told(old, take, None))
            continue
        if not old.take:
            carried.append(replace(old, take=take.sha256, rate_hz=take.rate_hz, edited=True))
            continue
        found = _on_new_take(folder, old, proposal, take, surveyed.source)
        if found is not None:
            carried.append(found)
        told.append(_told(old, take, found))
    return carried


def _told(old: SideCuts, take: ShelfTake, found: SideCuts | None) -> Finding:
    facts = {"side": old.side, "take": take.folder_name}
    if found is None:
        return Finding(
            kind="marks-not-carried",
            start_frame=0,
            stop_frame=0,
            severity="act",
            facts=facts,
        )
    return Finding(
        kind="marks-carried",
        start_frame=found.music_start_frame,
        stop_frame=found.music_stop_frame,
        severity="look",
        facts=facts,
    )


def _on_new_take(
    folder: RecordFolder, old: SideCuts, proposal: SideCuts, take: ShelfTake, source: AudioSource
) -> SideCuts | None:
    """The old cuts at the places they have on the new take; None when any of them is not sure."""
    old_take = next((other for other in folder.takes() if other.sha256 == old.take), None)
    if old_take is None:
        return None
    try:
        old_source = open_take([folder.path / old_take.folder / file.name for file in old_take.files])
    except (SidekeepError, OSError):
        return None
    laid = lay_takes(old_source, source)
    if laid is None:
        return None
    tracks = []
    for track in old.tracks:
        frames = []
        for frame in (track.start_frame, track.stop_frame):
            found_s = laid.place(frames_to_seconds(frame, old_take.rate_hz))
            if found_s is None:
                return None
            frames.append(seconds_to_frames(max(0.0, found_s), take.rate_hz))
        if frames[1] <= frames[0] or frames[1] > take.length_frames:
            return None
        tracks.append(replace(track, start_frame=frames[0], stop_frame=frames[1]))
    if not tracks:
        return None
    return replace(
        old,
        take=take.sha256,
        rate_hz=take.rate_hz,
        edited=True,
        needle_down_frame=min(proposal.needle_down_frame, tracks[0].start_frame),
        needle_up_frame=max(proposal.needle_up_frame, tracks[-1].stop_frame),
        music_start_frame=tracks[0].start_frame,
        music_stop_frame=tracks[-1].stop_frame,
        tracks=tuple(tracks),
    )
