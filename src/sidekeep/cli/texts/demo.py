"""The demo's summary: what was wrong with the record and what was done, with the truth beside it."""

from __future__ import annotations

from sidekeep.cli.terminal.output import say
from sidekeep.cli.texts.kinds import repairs_text
from sidekeep.press.demo import DemoRecord, worst_start_s
from sidekeep.service.transfers.transferred import TransferResult
from sidekeep.units import clock_text, count


def print_summary(demo: DemoRecord, result: TransferResult) -> None:
    """A dozen lines; figures against the truth are marked as such."""
    record = result.record
    say(f"{record.artist} - {record.title} ({record.year}), a record that never was")
    for take, truth in zip(result.takes, demo.truths, strict=True):
        survey = take.survey
        for side in survey.cuts.sides:
            say(f"Side {side.side}, {clock_text(survey.format.length_s)}")
            starts_s = [track.start_frame / survey.format.rate_hz for track in side.tracks]
            worst_s = worst_start_s(truth, starts_s)
            say(
                f"  tracks  {len(side.tracks)} found of {len(truth.tracks)}; "
                f"the farthest mark is {worst_s:.2f} s from where the music was pressed"
            )
        mended = repairs_text(repair.kind for repair in survey.repairs if not repair.in_doubt)
        say(f"  mended  {mended or 'nothing'}; {truth.audible().sum()} audible ones had been pressed in")
        if survey.turn.source != "none":
            off_ppm = 1e6 * abs(survey.turn.period_s / truth.turn_period_s - 1.0)
            say(f"  turn    {survey.turn.rpm:.3f} rpm, {off_ppm:.0f} ppm from the truth")
        else:
            say("  turn    not found: too little damage comes back once per turn")
    say(f"Level: {result.gain.text}")
    say(f"Written: {count(len(result.written), 'file')}, in the folder of the report")
