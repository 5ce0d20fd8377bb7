"""The demo's summary: what was wrong with the record and what was done, with the truth beside it."""

from __future__ import annotations

from collections import Counter

from sidekeep.press.demo import DemoRecord, worst_start_s
from sidekeep.service.transfers.transferred import TransferResult
from sidekeep.units import clock_text

_PLURALS = {"tick": "ticks", "pop": "pops", "crackle": "bits of crackle", "thump": "thumps"}


def print_summary(demo: DemoRecord, result: TransferResult) -> None:
    """A dozen lines; figures against the truth are marked as such."""
    record = result.record
    print(f"{record.artist} - {record.title} ({record.year}), a record that never was")
    for take, truth in zip(result.takes, demo.truths, strict=True):
        survey = take.survey
        for side in survey.cuts.sides:
            print(f"Side {side.side}, {clock_text(survey.format.length_s)}")
            starts_s = [track.start_frame / survey.format.rate_hz for track in side.tracks]
            worst_s = worst_start_s(truth, starts_s)
            print(
                f"  tracks  {len(side.tracks)} found of {len(truth.tracks)}; "
                f"the farthest mark is {worst_s:.2f} s from where the music was pressed"
            )
        kinds: Counter[str] = Counter(repair.kind for repair in survey.repairs)
        mended = ", ".join(f"{kinds[kind]} {plural}" for kind, plural in _PLURALS.items() if kinds[kind])
        print(f"  mended  {mended or 'nothing'}; {truth.audible().sum()} audible places were pressed in")
        if survey.turn.source != "none":
            off_ppm = 1e6 * abs(survey.turn.period_s / truth.turn_period_s - 1.0)
            print(f"  turn    {survey.turn.rpm:.3f} rpm, {off_ppm:.0f} ppm from the truth")
        else:
            print("  turn    not found: too little damage comes back once per turn")
    print(f"Level: {result.gain.text}")
    print(f"Written: {len(result.written)} files under {result.folder}")
