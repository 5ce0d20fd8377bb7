"""What a person thinks better of when a take is closed already: it was no side after all, or it was one."""

from __future__ import annotations

from sidekeep.model.finding import Fact
from sidekeep.model.news import News
from sidekeep.service.recording.open_take import ClosedPiece, OpenTake
from sidekeep.service.recording.pieces import Pieces
from sidekeep.service.recording.sides_due import SidesDue
from sidekeep.service.recording.take_types import Act, Follower
from sidekeep.shelf.record_folder import RecordFolder

PUT_ASIDE = ("again", "discard")
_AT_ONCE_S = 2.0
"""Asked again so soon, the same was meant: a key was held down, or a second window did not know of the first."""


class Afterthoughts:
    """Moments are frames of the open input."""

    def __init__(self, pieces: Pieces, due: SidesDue, follower: Follower, rate_hz: int) -> None:
        self._pieces, self._due, self._follower = pieces, due, follower
        self._at_once_frames = round(_AT_ONCE_S * rate_hz)
        self._put_aside_frame: int | None = None

    def note(self, piece: ClosedPiece, frame: int) -> None:
        """A take that was put aside while it was open."""
        if piece.binned in PUT_ASIDE:
            self._put_aside_frame = frame

    def not_meant(self, act: Act, take: OpenTake | None) -> News | None:
        """What is said of an act that names another take than it meets: the next side began, or it was put aside, between
        what the person saw and what they pressed. None when it is the one meant."""
        name = take.name if take is not None else ""
        if act.take is None or act.take == name or (take is None and act.take == self._pieces.last_name()):
            return None
        facts: dict[str, Fact] = {"do": act.do, "meant": act.take}
        side = take.side if take is not None else ""
        return News(code="not-meant", severity="look", side=side, take=name, facts=facts)

    def undo(self, folder: RecordFolder, why: str, frame: int) -> News | None:
        """The last take that counts goes to the bin, and with ``again`` its side is due; nothing without one. Just after
        another was put aside it stays, and that is told: a second asking counts."""
        before, self._put_aside_frame = self._put_aside_frame, None
        # An input that was opened anew counts from 0 again.
        if before is not None and 0 <= frame - before < self._at_once_frames:
            side = self._pieces.last_side()
            return News(code="asked-twice", severity="look", side=side) if side else None
        piece = self._pieces.undo_last(folder, why)
        if piece is None:
            return None
        self._put_aside_frame = frame
        self._follower.dropped(piece.take.path)
        if why == "again":
            self._due.first(piece.side)
        facts: dict[str, Fact] = {
            "length_s": round(piece.length_s, 1),
            "reason": piece.binned,
            "printed_s": None,
        }
        return News(code="false-start", side=piece.side, take=piece.name, facts=facts)

    def keep(self, folder: RecordFolder) -> News | None:
        """The newest take in the bin was a side after all; nothing without one."""
        piece = self._pieces.keep_last(folder)
        if piece is None:
            return None
        kept: dict[str, Fact] = {"length_s": round(piece.length_s, 1)}
        return News(code="kept", side=piece.side, take=piece.name, facts=kept)


def not_done(act: Act, error: Exception) -> News:
    """What was wanted could not be done; the evening goes on."""
    facts: dict[str, Fact] = {"do": act.do, "reason": " ".join(str(error).split())}
    return News(code="not-done", severity="look", facts=facts)
