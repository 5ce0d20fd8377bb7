"""The report's data from a transfer: what was measured, found, mended and written, side by side."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from sidekeep import __version__
from sidekeep.copies.report.data import (
    ClipView,
    FileView,
    FindingView,
    RepairView,
    ReportData,
    SideView,
    TrackView,
)
from sidekeep.flow.tracks.titles import name_of_track
from sidekeep.service.choices.repairs import mended_repairs
from sidekeep.service.transfers.clips import MIME
from sidekeep.units import frames_to_seconds, gain_to_db
from sidekeep.wording.findings import Told, told

if TYPE_CHECKING:
    from sidekeep.service.transfers.transferred import RenderedSide, SurveyedTake, TransferResult


def report_data(result: TransferResult, picture: bytes | None, day: date | None) -> ReportData:
    """Everything on the page; without a day the page tells no date."""
    return ReportData(
        record=result.record,
        sides=tuple(_side_view(side) for side in result.sides),
        picture=picture,
        findings=tuple(_findings(result)),
        gain_db=result.gain.gain_db,
        gain_text=result.gain.text,
        clips=tuple(
            ClipView(
                title=clip.title,
                played=clip.played,
                mended=clip.mended,
                taken_out=clip.taken_out,
                mime=MIME,
            )
            for clip in result.clips
        ),
        files=tuple(
            FileView(
                name=written.path.relative_to(result.folder).as_posix(),
                size_bytes=written.size_bytes,
                sha256=written.sha256,
            )
            for written in result.written
        ),
        made_with=f"sidekeep {__version__}",
        made_at=f"{day.day} {day:%B %Y}" if day else "",
    )


def _part_of_take(take: SurveyedTake, side: RenderedSide) -> tuple[int, int]:
    """Frames of the take that belong to a side: all of it, or halfway to its neighbours."""
    sides = take.survey.cuts.sides
    index = sides.index(side.cuts)
    length = take.source.format.length_frames
    before = sides[index - 1].needle_up_frame if index else None
    after = sides[index + 1].needle_down_frame if index + 1 < len(sides) else None
    start = 0 if before is None else (before + side.cuts.needle_down_frame) // 2
    stop = length if after is None else (side.cuts.needle_up_frame + after) // 2
    return start, stop


def _side_view(side: RenderedSide) -> SideView:
    take, survey = side.take, side.take.survey
    rate_hz, length = survey.format.rate_hz, survey.format.length_frames
    start, stop = _part_of_take(take, side)
    points = len(survey.envelope)

    def seconds(frame: int) -> float:
        return frames_to_seconds(frame - start, rate_hz)

    span = [(side.spans[0].start_frame, side.spans[-1].stop_frame)]
    return SideView(
        name=side.cuts.side,
        length_s=seconds(stop),
        envelope=survey.envelope[points * start // length : max(1, points * stop // length)],
        level=survey.level,
        mended_true_peak_dbtp=gain_to_db(side.take.levels.true_peak(span)),
        tracks=tuple(
            TrackView(
                number=span.track.number,
                title=span.track.title or name_of_track(side.cuts.side, span.track.number),
                artist=span.track.artist,
                start_s=seconds(span.start_frame),
                stop_s=seconds(span.stop_frame),
                boundary=span.track.boundary,
                confidence=span.track.confidence,
            )
            for span in side.spans
        ),
        repairs=tuple(
            RepairView(
                time_s=seconds(repair.start_frame),
                kind=repair.kind,
                channel=repair.channel,
                size_db=repair.size_db,
            )
            for repair in mended_repairs(survey.repairs, side.take.left)
            if start <= repair.start_frame < stop
        ),
        needle_down_s=seconds(side.cuts.needle_down_frame),
        needle_up_s=seconds(side.cuts.needle_up_frame),
        noise=survey.noise,
        clicks=survey.clicks,
        turn=survey.turn,
    )


def _findings(result: TransferResult) -> list[FindingView]:
    views = []
    for take in result.takes:
        sides = take.survey.cuts.sides
        for line in told(take.survey.findings, take.survey.format.rate_hz):
            views.append(_finding_view(line, take, "".join(side.side for side in sides)))
    views += [
        FindingView(text=line.text, severity=line.severity, kind=line.kind)
        for line in told(result.copy_findings, 1)
    ]
    return views


def _finding_view(line: Told, take: SurveyedTake, letters: str) -> FindingView:
    rate_hz = take.survey.format.rate_hz
    is_everywhere = line.stop_frame - line.start_frame >= 0.9 * take.survey.format.length_frames
    is_one_place = len(line.findings) == 1 and line.stop_frame and not is_everywhere
    return FindingView(
        text=line.text,
        severity=line.severity,
        kind=line.kind,
        side=letters,
        start_s=frames_to_seconds(line.start_frame, rate_hz) if is_one_place else None,
        channel=line.channel,
    )
