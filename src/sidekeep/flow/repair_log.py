"""What the mender did, as it is told and as it can be undone: the repairs, the samples that belong to each, the findings."""

from __future__ import annotations

from sidekeep.dsp.impulses.mending import Repaired
from sidekeep.dsp.impulses.thumps import Thump
from sidekeep.flow.patches import PatchPiece
from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Channel, Finding
from sidekeep.model.repair import Repair, RepairKind

POP_S = 0.0005
"""A repair longer than this is a pop, by the trade's use of the word."""
CRACKLE_DB = 24.0
"""A short repair below this over the local slope counts as crackle."""


class RepairLog:
    """Grows as the take is mended; frames are those of the take. After ``close`` repairs and findings are complete and in order,
    and ``owners`` says which of the repairs each one became when it was noted (those of two channels are joined)."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self.rate_hz, self.channels = rate_hz, channels
        self.repairs: list[Repair] = []
        self.findings: list[Finding] = []
        self.owners: list[int] = []
        self._pieces: list[PatchPiece] = []

    def take_pieces(self) -> list[PatchPiece]:
        """What was changed since the last time this was asked, repair by repair (``flow.patches``)."""
        pieces, self._pieces = self._pieces, []
        return pieces

    def replaced(self, repaired: Repaired, values: Audio) -> None:
        """A tick, pop or crackle, and the samples that took its place, which are kept as they are."""
        start, channel = repaired.start, repaired.channel
        self._pieces.append(PatchPiece(start, channel, "replace", values, len(self.repairs)))
        long = repaired.damaged / self.rate_hz > POP_S
        kind: RepairKind = "pop" if long else "tick" if repaired.size_db > CRACKLE_DB else "crackle"
        self.repairs.append(
            Repair(
                start_frame=start,
                stop_frame=start + repaired.length,
                channel=self._name(channel),
                kind=kind,
                size_db=round(repaired.size_db, 2),
            )
        )

    def taken_off(self, thump: Thump, tail: Audio, first_frame: int) -> None:
        """A thump, whose frames count from ``first_frame``, and the tail that was subtracted for it."""
        start = first_frame + thump.start_frame
        self._pieces += [
            PatchPiece(start, at, "subtract", tail[:, at], len(self.repairs))
            for at in range(self.channels)
            if tail[:, at].any()
        ]
        channel: Channel = "L" if thump.channel == "L" else "R" if thump.channel == "R" else "both"
        self.repairs.append(
            Repair(
                start_frame=start,
                stop_frame=first_frame + thump.stop_frame,
                channel=channel,
                kind="thump",
                size_db=round(thump.size_db, 2),
            )
        )

    def too_long(self, start: int, stop: int, channel: int) -> None:
        """Damage that is left as it is, since nothing may be invented there."""
        length_ms = 1000.0 * (stop - start) / self.rate_hz
        self.findings.append(
            Finding(
                kind="too-long-to-mend",
                start_frame=start,
                stop_frame=stop,
                channel=self._name(channel),
                severity="look",
                facts={"length_ms": length_ms},
            )
        )

    def decoded(self, frames: int) -> None:
        """The whole take was decoded from an MP3 file."""
        self.findings.append(
            Finding(kind="decoded-copy", start_frame=0, stop_frame=frames, channel="both", severity="note")
        )

    def close(self) -> None:
        self.repairs, self.owners = _join_channels(self.repairs)
        self.findings.sort(key=lambda f: (f.start_frame, f.channel))

    def _name(self, channel: int) -> Channel:
        return "both" if self.channels == 1 else "L" if channel == 0 else "R"


def _join_channels(repairs: list[Repair]) -> tuple[list[Repair], list[int]]:
    """Overlapping repairs of one kind on two channels become one on both; sorted by start. Also where each one went."""
    joined: list[Repair] = []
    owners = [0] * len(repairs)
    keys = [(repair.start_frame, repair.channel) for repair in repairs]
    reached = 0
    for number in sorted(range(len(repairs)), key=keys.__getitem__):
        repair = repairs[number]
        near = 0 if repair.start_frame >= reached else min(4, len(joined))
        reached = max(reached, repair.stop_frame)
        for back in range(1, near + 1):
            other = joined[-back]
            if repair.start_frame >= other.stop_frame or "thump" in (other.kind, repair.kind):
                continue
            if {other.channel, repair.channel} == {"L", "R"}:
                bigger = other if other.size_db >= repair.size_db else repair
                joined[-back] = Repair(
                    start_frame=other.start_frame,
                    stop_frame=max(other.stop_frame, repair.stop_frame),
                    channel="both",
                    kind=bigger.kind,
                    size_db=bigger.size_db,
                )
                owners[number] = len(joined) - back
                break
        else:
            owners[number] = len(joined)
            joined.append(repair)
    return joined, owners
