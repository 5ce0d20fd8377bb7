"""Arithmetic and limits of the audio CD, and how a record is laid out on discs.

Conventions: a *CD frame* is 1/75 s, 588 samples per channel at 44.1 kHz, 2352 bytes (IEC 60908). Addresses
are minutes:seconds:frames. A disc has 1 to 99 tracks of at least 4 s; its first track follows a pause of
2 s that the burner writes. Lengths here are of the programme, without that pause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sidekeep.copies.kinds.table import CD_RATE_HZ
from sidekeep.copies.tracks.cutting import CD_FRAME, CD_FRAMES_PER_S, SideAudio, address_text, side_cuts
from sidekeep.copies.tracks.levels import Piece
from sidekeep.copies.tracks.tagging import TrackFacts
from sidekeep.model.finding import Fact, Finding, Severity

MAXIMUM_TRACKS = 99
MINIMUM_TRACK_FRAMES = 4 * CD_FRAMES_PER_S
SHORT_DISC_FRAMES = 74 * 60 * CD_FRAMES_PER_S
LONG_DISC_FRAMES = 359_100
"""79.8 minutes: what a disc sold as 80 minutes is sure to take, first pause and lead-out aside."""


@dataclass(frozen=True, kw_only=True)
class Disc:
    """One disc: the pieces of every track, and the length in CD frames."""

    tracks: tuple[tuple[Piece, ...], ...]
    length_frames: int


def piece_frames(sides: Sequence[SideAudio]) -> dict[Piece, int]:
    """Length of every track in CD frames, cut as the copies are."""
    found: dict[Piece, int] = {}
    for side_index, side in enumerate(sides):
        for track_index, (start, stop) in enumerate(side_cuts(side, CD_RATE_HZ, for_cd=True)):
            found[(side_index, track_index)] = (stop - start) // CD_FRAME
    return found


def lay_out_discs(
    sides: Sequence[SideAudio],
    tracks: Mapping[Piece, TrackFacts],
    *,
    capacity_frames: int = LONG_DISC_FRAMES,
) -> tuple[list[Disc], list[Finding]]:
    """As few discs as hold the record, divided between sides and as even as can be.

    Tracks under 4 s are joined to the next one (the last to the one before), because no CD may have them.
    A side that fills more than a disc is divided between tracks.
    """
    lengths = piece_frames(sides)
    findings: list[Finding] = []
    units: list[list[Piece]] = []
    for side_index, side in enumerate(sides):
        pieces = [(side_index, track_index) for track_index in range(len(side.spans))]
        if sum(lengths[piece] for piece in pieces) > capacity_frames or len(pieces) > MAXIMUM_TRACKS:
            units += [[piece] for piece in pieces]
        else:
            units.append(pieces)
    discs = [_disc(group, lengths, tracks, findings) for group in _part(units, lengths, capacity_frames)]
    longest = max(disc.length_frames for disc in discs)
    if longest > capacity_frames:
        findings.append(_note("cd-too-long", "act", length=address_text(longest).rpartition(":")[0]))
    elif longest > SHORT_DISC_FRAMES:
        findings.append(_note("cd-long", "look", length=address_text(longest).rpartition(":")[0]))
    if len(discs) > 1:
        findings.append(_note("cd-divided", "note", discs=len(discs)))
    return discs, findings


def _part(units: list[list[Piece]], lengths: Mapping[Piece, int], capacity: int) -> list[list[Piece]]:
    """Contiguous groups within capacity and 99 tracks: the fewest, and of those the most even."""
    size = [sum(lengths[piece] for piece in unit) for unit in units]
    # best[i]: (groups, longest group, where the last group starts) for the first i units.
    best: list[tuple[int, int, int]] = [(0, 0, 0)]
    for stop in range(1, len(units) + 1):
        choices = []
        for start in range(stop):
            length = sum(size[start:stop])
            count = sum(len(unit) for unit in units[start:stop])
            if (length <= capacity and count <= MAXIMUM_TRACKS) or stop - start == 1:
                choices.append((best[start][0] + 1, max(best[start][1], length), start))
        best.append(min(choices))
    groups: list[list[Piece]] = []
    stop = len(units)
    while stop > 0:
        start = best[stop][2]
        groups.insert(0, [piece for unit in units[start:stop] for piece in unit])
        stop = start
    return groups


def _disc(
    pieces: list[Piece],
    lengths: Mapping[Piece, int],
    tracks: Mapping[Piece, TrackFacts],
    findings: list[Finding],
) -> Disc:
    joined: list[list[Piece]] = [[]]
    for piece in pieces:
        joined[-1].append(piece)
        if sum(lengths[each] for each in joined[-1]) >= MINIMUM_TRACK_FRAMES:
            joined.append([])
    rest = joined.pop()
    if rest and joined:
        joined[-1] += rest
    elif rest:
        joined.append(rest)
        findings.append(_note("cd-too-short", "act"))
    for group in joined:
        if len(group) > 1:
            findings.append(
                _note("cd-short-track", "look", titles=tuple(tracks[piece].title for piece in group))
            )
    return Disc(
        tracks=tuple(tuple(group) for group in joined), length_frames=sum(lengths[each] for each in pieces)
    )


def _note(kind: str, severity: Severity, **facts: Fact) -> Finding:
    return Finding(kind=kind, start_frame=0, stop_frame=0, severity=severity, facts=facts)
