"""The pieces of an evening: closed beside the session, put aside, brought back, renamed."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from sidekeep.files.atomic import write_json
from sidekeep.model.news import News
from sidekeep.service.recording.open_take import ClosedPiece
from sidekeep.service.recording.take_types import Follower, TakeOptions
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.take_bin import restore_take


class Pieces:
    """All pieces in the order they ended; ``takes`` are those that are sides and closed."""

    def __init__(self) -> None:
        self.all: list[ClosedPiece] = []
        self.takes: list[ShelfTake] = []
        self._before_opening = 0
        self._closer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="closer")

    def submit(self, piece: ClosedPiece, folder: RecordFolder, options: TakeOptions) -> None:
        """Take checksum and facts beside the listening."""
        piece.future = self._closer.submit(piece.close, folder, options)

    def collect(self, follower: Follower, *, settle: bool = False) -> list[News]:
        """What came of the pieces that are closed by now; with ``settle`` all of them are waited for."""
        found: list[News] = []
        for piece in self.all:
            future = piece.future
            if future is None or not (settle or future.done()):
                continue
            error = future.exception()
            piece.future = None
            if error is not None:
                found.append(_not_closed(piece, error))
                continue
            found += piece.told
            if piece.binned:
                follower.dropped(piece.take.path)
            elif piece.closed is not None:
                self.takes.append(piece.closed)
                follower.closed(piece.closed)
        return found

    def opened(self) -> None:
        """The input was opened, and its frames count from 0."""
        self._before_opening = len(self.all)

    def that_holds(self, frame: int) -> ClosedPiece | None:
        """The piece in which a frame of the open input lies."""
        here = self.all[self._before_opening :]
        return next((piece for piece in here if 0 <= frame - piece.take.start_frame < piece.frames), None)

    def note(self, piece: ClosedPiece, folder: RecordFolder, news: News) -> None:
        """Keep news with a piece that is closed already."""
        before = piece.closed
        if before is None:
            return
        after = replace(before, notes=(*before.notes, news))
        write_json(folder.path / before.folder / "take.json", after.facts(), replace=True)
        piece.closed = after
        self.takes = [after if take is before else take for take in self.takes]

    def last_side(self) -> str:
        """The side the last take that counts is taken for."""
        piece = self._last()
        return piece.side if piece is not None else ""

    def last_name(self) -> str:
        """The name the last take that counts was recorded under."""
        piece = self._last()
        return piece.take.name if piece is not None else ""

    def last_folder(self) -> str:
        """Where the last take that counts lies in its record now."""
        piece = self._last()
        return piece.name if piece is not None else ""

    def undo_last(self, folder: RecordFolder, why: str) -> ClosedPiece | None:
        """The last take that counts goes to the bin."""
        piece = self._last()
        if piece is None or piece.closed is None:
            return None
        before = piece.closed
        piece.to_bin(folder, why)
        self.takes = [take for take in self.takes if take is not before]
        return piece

    def keep_last(self, folder: RecordFolder) -> ClosedPiece | None:
        """The last piece in the bin was a side after all."""
        piece = next((each for each in reversed(self.all) if each.binned and each.closed is not None), None)
        if piece is None or piece.closed is None:
            return None
        piece.closed = restore_take(folder, piece.closed)
        piece.binned = ""
        self.takes.append(piece.closed)
        return piece

    def relabel_last(self, folder: RecordFolder, side: str, follower: Follower) -> bool:
        """The last take that counts is another side; True when an earlier one was taken for that and now has its name: the two
        were played in the wrong order."""
        piece = self._last()
        if piece is None or piece.closed is None:
            return False
        was = piece.side
        earlier = [
            each for each in self.all if each is not piece and not each.binned and each.closed is not None
        ]
        swapped = next((each for each in earlier if each.side == side and each.looks_like == was), None)
        self._relabel(piece, folder, side, follower)
        if swapped is not None:
            self._relabel(swapped, folder, was, follower)
        return swapped is not None

    def _relabel(self, piece: ClosedPiece, folder: RecordFolder, side: str, follower: Follower) -> None:
        before = piece.closed
        piece.relabel(folder, side)
        piece.looks_like = ""
        after = piece.closed
        if after is not None:
            self.takes = [after if take is before else take for take in self.takes]
            follower.closed(after)

    def close(self) -> None:
        """Nothing more will be closed."""
        self._closer.shutdown()

    def _last(self) -> ClosedPiece | None:
        return next((each for each in reversed(self.all) if not each.binned), None)


def _not_closed(piece: ClosedPiece, error: BaseException) -> News:
    place: Path = piece.take.path
    facts = {"place": str(place), "reason": " ".join(str(error).split())}
    return News(code="not-closed", severity="act", side=piece.side, facts=facts)
