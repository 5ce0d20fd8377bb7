"""Build the report page of a recording from its survey alone: the side as a disc, tracks, damage, levels, findings.

Shows: filling the report's plain values by hand; no copies are written.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from sidekeep import __version__
from sidekeep.copies.report.data import (
    FindingView,
    RepairView,
    ReportData,
    SideView,
    TrackView,
)
from sidekeep.copies.report.page import render_report
from sidekeep.files.atomic import write_text
from sidekeep.flow.passes.survey import Survey
from sidekeep.model.cuts import SideCuts
from sidekeep.model.record import Record
from sidekeep.service.survey import survey_file
from sidekeep.units import frames_to_seconds, gain_to_db
from sidekeep.wording.findings import told


def side_view(survey: Survey, side: SideCuts) -> SideView:
    """One side of a take that holds one side."""
    rate_hz = survey.format.rate_hz

    def seconds(frame: int) -> float:
        return frames_to_seconds(frame, rate_hz)

    return SideView(
        name=side.side,
        length_s=survey.format.length_s,
        envelope=survey.envelope,
        level=survey.level,
        mended_true_peak_dbtp=gain_to_db(
            survey.mended.true_peak([(side.music_start_frame, side.music_stop_frame)])
        ),
        tracks=tuple(
            TrackView(
                number=track.number,
                title=track.title,
                start_s=seconds(track.start_frame),
                stop_s=seconds(track.stop_frame),
                boundary=track.boundary,
                confidence=track.confidence,
            )
            for track in side.tracks
        ),
        repairs=tuple(
            RepairView(time_s=seconds(repair.start_frame), kind=repair.kind, size_db=repair.size_db)
            for repair in survey.repairs
        ),
        needle_down_s=seconds(side.needle_down_frame),
        needle_up_s=seconds(side.needle_up_frame),
        noise=survey.noise,
        clicks=survey.clicks,
        turn=survey.turn,
    )


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--sleeve", type=Path, metavar="FILE")
    parser.add_argument("--sides", metavar="LETTERS")
    parser.add_argument("--out", type=Path, default=Path("report.html"), metavar="FILE")
    options = parser.parse_args(arguments)
    result = survey_file([options.file], sleeve_path=options.sleeve, side_letters=options.sides)
    survey = result.survey
    data = ReportData(
        record=result.sleeve.record if result.sleeve else Record(title=options.file.stem),
        sides=tuple(side_view(survey, side) for side in survey.cuts.sides),
        findings=tuple(
            FindingView(text=line.text, severity=line.severity, kind=line.kind)
            for line in told(survey.findings, survey.format.rate_hz)
        ),
        gain_text="nothing was written, so no gain was chosen",
        made_with=f"sidekeep {__version__}",
    )
    write_text(options.out, render_report(data))
    print(options.out)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
