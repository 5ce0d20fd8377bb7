"""A survey as a person reads it on a terminal."""

from __future__ import annotations

from sidekeep.cli.terminal.output import say
from sidekeep.cli.texts.findings import print_findings
from sidekeep.flow.passes.edges import render_spans
from sidekeep.flow.tracks.titles import name_of_track
from sidekeep.model.recipe import EdgeSettings
from sidekeep.service.survey import SurveyResult
from sidekeep.units import MINIMUM_DB, clock_text, count, frames_to_seconds

_NAME_COLUMNS = 10
_TURN_FROM = {"clicks": "damage that comes back every turn", "sway": "the sway of the disc"}


def _level(value: float, unit: str, digits: int = 1) -> str:
    return f"{value:.{digits}f} {unit}" if value > MINIMUM_DB + 1.0 else "silent"


def print_survey(result: SurveyResult) -> None:
    """Facts, sides with their tracks, findings."""
    survey = result.survey
    form = survey.format
    depth = f"{form.bits}-bit float" if form.is_float else f"{form.bits} bits"
    ears = {1: "mono", 2: "stereo"}.get(form.channels, f"{form.channels} channels")
    say(f"{survey.file}: {clock_text(form.length_s)}, {form.rate_hz / 1000:g} kHz, {depth}, {ears}")
    level, noise, turn = survey.level, survey.noise, survey.turn
    rows = [
        (
            "level",
            f"peak {_level(level.sample_peak_dbfs, 'dBFS')}, true peak {_level(level.true_peak_dbtp, 'dBTP')}, "
            f"balance {level.balance_db:+.1f} dB",
        ),
        ("loudness", f"{_level(level.integrated_lufs, 'LUFS')}, range {level.range_lu:.1f} LU"),
    ]
    noises = [f"groove {_level(noise.groove_dbfs, 'dBFS')}", f"rumble {_level(noise.rumble_dbfs, 'dBFS')}"]
    if noise.hum_hz:
        noises.append(f"hum {noise.hum_hz:.2f} Hz at {noise.hum_dbfs:.0f} dBFS")
    rows.append(("noise", ", ".join(noises)))
    rows.append(("damage", f"{count(survey.clicks.count, 'place')}, {survey.clicks.per_min:.1f} a minute"))
    if turn.source != "none":
        rows.append(
            ("turn", f"{turn.rpm:.3f} rpm, within {turn.sd_ppm:.0f} ppm, from {_TURN_FROM[turn.source]}")
        )
    for name, text in rows:
        say(f"  {name:<{_NAME_COLUMNS}}{text}", hang=_NAME_COLUMNS)
    for side in survey.cuts.sides:
        start, stop = (
            clock_text(frames_to_seconds(frame, form.rate_hz), 1)
            for frame in (side.music_start_frame, side.music_stop_frame)
        )
        say(f"Side {side.side}  music {start} to {stop}")
        spans = render_spans(side, EdgeSettings(), rate_hz=form.rate_hz, length_frames=form.length_frames)
        for span in spans:
            track = span.track
            start = clock_text(frames_to_seconds(track.start_frame, form.rate_hz), 1)
            length = clock_text(frames_to_seconds(span.length_frames, form.rate_hz))
            title = track.title or name_of_track(side.side, track.number)
            how = " (runs on from the one before)" if track.boundary == "segue" else ""
            say(f"  {track.number:2d}  {start:>8}  {length:>6}  {title}{how}")
    print_findings(survey.findings, form.rate_hz)
