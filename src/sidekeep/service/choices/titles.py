"""Titles of surveyed takes: given again when the sleeve or the person's choice changes, and never to the same sound twice."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sidekeep.flow.passes.survey import Survey
from sidekeep.flow.tracks.same_music import Alike, how_alike, is_same_length
from sidekeep.flow.tracks.title_findings import TITLE_KINDS, title_findings
from sidekeep.flow.tracks.titles import TitleChoice, with_titles
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Finding
from sidekeep.model.record import Side
from sidekeep.service.choices.sleeves import Sleeve, sleeve_findings

_ALIKE = 1e-4
"""Relative difference of two envelopes of one recording in two formats (a lossless one differs by nothing)."""


def retitled(
    survey: Survey, sides: Sequence[Side], how: TitleChoice = "sure", double: Finding | None = None
) -> Survey:
    """The survey with the titles the sleeve has now. ``double`` tells that another take holds the same sound or music: where that
    is sure no title is given unless the person chose how."""
    cuts = with_titles(survey.cuts, sides, how)
    if double is not None and double.severity == "act" and how == "sure":
        cuts = _untitled(cuts)
    told = with_title_findings(replace(survey, cuts=cuts), sides)
    return replace(told, findings=(double, *told.findings)) if double is not None else told


def with_title_findings(survey: Survey, sides: Sequence[Side]) -> Survey:
    """The survey with its findings on titles made anew from its cuts."""
    others = [finding for finding in survey.findings if finding.kind not in TITLE_KINDS]
    return replace(survey, findings=(*title_findings(survey.cuts, sides), *others))


def told_anew(survey: Survey, sleeve: Sleeve) -> Survey:
    """A kept survey with what the sleeve as it is now makes of it."""
    others = [finding for finding in survey.findings if finding.kind != "sleeve-line"]
    return with_title_findings(
        replace(survey, findings=(*sleeve_findings(sleeve), *others)), sleeve.record.sides
    )


def same_sound(surveys: Sequence[Survey]) -> dict[int, Finding]:
    """A finding for every take, by its place, whose sound is that of an earlier or later one: one file given twice, or one
    side played twice and given as two."""
    found: dict[int, Finding] = {}
    for (index, one), (other_index, other) in itertools.combinations(enumerate(surveys), 2):
        if _is_same(one, other):
            told = _same_sound(one, other), _same_sound(other, one)
        elif (alike := _music_of(one, other)) != "other":
            told = _same_music(one, other, alike), _same_music(other, one, alike)
        else:
            continue
        for place, finding in zip((index, other_index), told):
            if place not in found or (found[place].severity, finding.severity) == ("look", "act"):
                found[place] = finding
    return found


def _same_sound(one: Survey, other: Survey) -> Finding:
    facts = {"file": one.file, "other": other.file}
    return Finding(
        kind="same-sound", start_frame=0, stop_frame=one.format.length_frames, severity="act", facts=facts
    )


def _same_music(one: Survey, other: Survey, alike: Alike) -> Finding:
    return Finding(
        kind="same-music",
        start_frame=0,
        stop_frame=one.format.length_frames,
        severity="act" if alike == "same" else "look",
        facts={"file": one.file, "other": other.file, "is_sure": alike == "same"},
    )


def _music_of(one: Survey, other: Survey) -> Alike:
    if not (one.cuts.sides and other.cuts.sides and is_same_length(_music_s(one), _music_s(other))):
        return "other"
    first, second = (each.format.length_frames / each.format.rate_hz for each in (one, other))
    return how_alike(one.envelope, first, other.envelope, second)


def _music_s(survey: Survey) -> float:
    sides = survey.cuts.sides
    return (sides[-1].music_stop_frame - sides[0].music_start_frame) / survey.cuts.rate_hz


def _is_same(one: Survey, other: Survey) -> bool:
    alike = (one.format.length_frames, one.format.rate_hz) == (
        other.format.length_frames,
        other.format.rate_hz,
    )
    if not alike or one.envelope.shape != other.envelope.shape or not one.envelope.size:
        return False
    top = float(np.abs(one.envelope).max())
    return top > 0.0 and float(np.abs(one.envelope - other.envelope).max()) <= _ALIKE * top


def _untitled(cuts: Cuts) -> Cuts:
    sides = []
    for side in cuts.sides:
        tracks = tuple(
            track if track.edited else replace(track, title="", artist="", composer="", title_confidence=0.0)
            for track in side.tracks
        )
        sides.append(replace(side, tracks=tracks))
    return replace(cuts, sides=tuple(sides))
