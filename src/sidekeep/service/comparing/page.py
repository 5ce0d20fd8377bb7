"""The page of a comparison: what changed in plain sentences, the disc with old and new marks over each other, the
difference by band, and places to listen to. One file, nothing loaded from anywhere."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from datetime import datetime
from importlib import resources
from typing import Any

import numpy as np

from sidekeep.copies.report.typeset import tight
from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.laying.laid import BLOCK_S, lay_block
from sidekeep.fonts import with_faces
from sidekeep.model.finding import SEVERITY_WORDS, Finding
from sidekeep.service.comparing.heard import level_gain_db
from sidekeep.service.comparing.history import Point, history_lines
from sidekeep.service.comparing.takes import NamedTake
from sidekeep.service.comparing.thirds import thirds_table
from sidekeep.service.transfers.clips import CLIP_S, to_mp3
from sidekeep.units import clock_text
from sidekeep.wording.findings import told

OUTER_MM, INNER_MM, LABEL_MM = 146.0, 60.0, 50.0
"""Radii of a 12 inch disc (IEC 60098); the spacing of the grooves is taken as even, as in the report."""
MOST_POINTS = 2500
CHART = {"width": 720.0, "height": 240.0, "left": 44.0, "right": 8.0, "top": 12.0, "bottom": 30.0}
HISTORY = {"width": 340.0, "height": 64.0}
MOST_CLIPS = 3


def comparison_page(
    comparison: Comparison,
    findings: Sequence[Finding],
    old: NamedTake,
    new: NamedTake,
    history: Sequence[Point] = (),
) -> str:
    """The whole page; ``history`` of the side over all takes that were compared."""
    from jinja2 import Environment

    frame = resources.files("sidekeep.service.comparing").joinpath("comparison.html").read_text("utf-8")
    template = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(frame)
    same = comparison.alignment.is_same
    page = template.render(
        old=_take_facts(old),
        new=_take_facts(new),
        record=_record_name(old),
        same=same,
        findings=[
            (SEVERITY_WORDS[line.severity], line.severity, tight(line.text))
            for line in told(findings, max(comparison.rate_hz, 1))
        ],
        points=_points(comparison) if same else None,
        marks=_marks(comparison),
        chart=_chart(comparison) if same else None,
        thirds=thirds_table(comparison) if same else [],
        sides=("left", "right") if len(comparison.channels) == 2 else ("",),
        clips=_clips(comparison, old, new) if same else [],
        history=history_lines(history, HISTORY["width"], HISTORY["height"]),
        history_of=[(point.take, _day(point.taken_utc)) for point in history],
        field=HISTORY,
        fit_us=1e6 * comparison.alignment.sd_s if same else 0.0,
    )
    return with_faces(page)


def _take_facts(take: NamedTake) -> dict[str, str]:
    form = take.source.format
    when = _day(take.take.taken_utc) if take.take else ""
    stylus = take.take.stylus if take.take else ""
    return {
        "name": take.name,
        "when": when,
        "stylus": stylus,
        "form": tight(f"{form.rate_hz / 1000:g} kHz, {form.bits} bits, {clock_text(form.length_s)}"),
    }


def _day(moment_utc: str) -> str:
    """``20 November 2025``; what cannot be read stays as it is."""
    try:
        day = datetime.fromisoformat(moment_utc)
    except ValueError:
        return moment_utc
    return f"{day.day} {day:%B} {day.year}"


def _record_name(take: NamedTake) -> str:
    if take.record is None:
        return ""
    record = take.record.record()
    return " – ".join(name for name in (record.artist, record.title) if name)


def _marks(comparison: Comparison) -> list[tuple[str, str, str, str]]:
    """The new marks in order of time, as words."""
    words = {"L": "left", "R": "right", "both": "both"}
    return [
        (
            clock_text(mark.start_s, 1),
            words[mark.channel],
            f"{mark.size_db:.0f}",
            "" if mark.angle_deg is None else f"{mark.angle_deg:.0f}°",
        )
        for mark in sorted(comparison.marks, key=lambda mark: mark.start_s)
        if mark.state == "new"
    ]


def _points(comparison: Comparison) -> dict[str, Any]:
    """Places of marks on the disc: time is radius, the place in the turn is the angle."""
    period_s = comparison.turn.period_s or 1.8
    start_s, stop_s = comparison.music_s

    def place(at_s: float) -> tuple[float, float]:
        share = min(max((at_s - start_s) / max(stop_s - start_s, 1e-9), 0.0), 1.0)
        radius = OUTER_MM - share * (OUTER_MM - INNER_MM)
        angle = 2.0 * np.pi * (at_s / period_s % 1.0)
        return round(float(radius * np.sin(angle)), 2), round(float(-radius * np.cos(angle)), 2)

    loudest = np.argsort(-comparison.persisting_db)[:MOST_POINTS]
    return {
        "both": [place(float(comparison.persisting_s[index])) for index in loudest],
        "new": [place(mark.start_s) for mark in comparison.marks if mark.state == "new"],
        "gone": [place(mark.start_s) for mark in comparison.marks if mark.state == "gone"],
        "knows_turn": comparison.turn.source != "none",
        "outer": OUTER_MM,
        "inner": INNER_MM,
        "label": LABEL_MM,
    }


def _chart(comparison: Comparison) -> dict[str, Any]:
    """Change by band over the side and in its inner third, against the smallest change that would have been seen."""
    left, width = CHART["left"], CHART["width"] - CHART["left"] - CHART["right"]
    top, height = CHART["top"], CHART["height"] - CHART["top"] - CHART["bottom"]
    rows = {part: _change_by_band(comparison, part) for part in ("outer", "inner")}
    largest = max([0.5, *(max(abs(change), seen) for row in rows.values() for _, change, seen in row)])
    most = float(np.ceil(2.0 * min(largest, 12.0)) / 2.0)

    def x(hz: float) -> float:
        return round(left + width * float(np.log(hz / 60.0) / np.log(18_000.0 / 60.0)), 1)

    def y(change_db: float) -> float:
        return round(top + height * (0.5 - 0.5 * max(-1.0, min(1.0, change_db / most))), 1)

    lines = {part: " ".join(f"{x(hz)},{y(change)}" for hz, change, _ in row) for part, row in rows.items()}
    unseen = [(x(hz), y(seen), y(-seen)) for hz, _, seen in rows["inner"] or rows["outer"]]
    return {
        **CHART,
        "lines": lines,
        "unseen": " ".join(
            [f"{at},{high}" for at, high, _ in unseen] + [f"{at},{low}" for at, _, low in reversed(unseen)]
        ),
        "zero": y(0.0),
        "grid": [(y(value), tight(f"{value:+g} dB")) for value in (most, -most)],
        "ticks": [
            (x(hz), text)
            for hz, text in ((100, "100 Hz"), (1000, "1 kHz"), (5000, "5 kHz"), (10000, "10 kHz"))
        ],
        "rows": [(f"{hz:.0f}", f"{change:+.2f}", f"{seen:.2f}") for hz, change, seen in rows["inner"]],
    }


def _change_by_band(comparison: Comparison, part: str) -> list[tuple[float, float, float]]:
    """(Hz, change in dB beside the change of the level, smallest change that would have been seen) of a part of the side."""
    levels = [comparison.level_change_db(channel) for channel in (0, 1)]
    known = [level for level in levels if np.isfinite(level)]
    level = float(np.mean(known)) if known else 0.0
    bands = [band for band in comparison.bands if band.part == part and np.isfinite(band.change_db)]
    row = []
    for hz in sorted({band.hz for band in bands}):
        pair = [band for band in bands if band.hz == hz]
        change = float(np.mean([band.change_db for band in pair])) - level
        row.append((hz, change, float(np.max([band.detectable_db for band in pair]))))
    return row


def _clips(comparison: Comparison, old: NamedTake, new: NamedTake) -> list[dict[str, Any]]:
    """Old, new and their difference at the loudest new marks (or the middle of the inner third), level-matched."""
    marks = sorted((mark for mark in comparison.marks if mark.state == "new"), key=lambda mark: -mark.size_db)
    places = [mark.start_s - CLIP_S / 2 for mark in marks[:MOST_CLIPS]]
    places = places or [comparison.music_s[0] + (comparison.music_s[1] - comparison.music_s[0]) * 5.0 / 6.0]
    gain_db = level_gain_db(comparison)
    clips = []
    for place_s in places:
        start_s = int(max(0.0, min(place_s, comparison.music_s[1] - BLOCK_S)))
        laid = lay_block(
            old.source, new.source, comparison.alignment, start_s, start_s + int(CLIP_S), comparison.rate_hz
        )
        first = laid.old[laid.first : laid.stop]
        second = laid.new[laid.first : laid.stop] * 10.0 ** (gain_db / 20.0)
        clips.append(
            {
                "at": clock_text(start_s),
                "sounds": [
                    (words, base64.b64encode(to_mp3(audio, laid.rate_hz, 0.0)).decode("ascii"))
                    for words, audio in (("old", first), ("new", second), ("what differs", second - first))
                ],
            }
        )
    return clips
