"""Patches: every repair by itself, laid on any span, left and put back without another moving."""

from __future__ import annotations

import io
from dataclasses import dataclass, fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.errors import ShelfError
from sidekeep.flow.patches import NO_REPAIR, PatchPiece, PatchPieces, PatchReader, PatchWriter, number_pieces


@dataclass
class Made:
    """Pieces over a take, and what each repair's pieces are."""

    original: np.ndarray
    pieces: list[PatchPiece]
    owners: list[int]

    def file(self, batches: int = 3) -> io.BytesIO:
        file = io.BytesIO()
        writer = PatchWriter(file)
        for part in range(batches):
            first, stop = (at * len(self.pieces) // batches for at in (part, part + 1))
            writer.add(PatchPieces.of(self.pieces[first:stop]))
        writer.set_owners(self.owners)
        writer.close({"key": "k"})
        assert writer.size_bytes == len(file.getvalue())
        file.seek(0)
        return file

    def plain(self, left: set[int]) -> np.ndarray:
        """Layer by layer, piece by piece: what applying must come to."""
        out = self.original.copy()
        for layer in ("number", "replace", "subtract"):
            for piece in self.pieces:
                if piece.layer != layer or (piece.number >= 0 and self.owners[piece.number] in left):
                    continue
                part = out[piece.start_frame : piece.start_frame + len(piece.values), piece.channel]
                values = piece.values.astype(np.float32)
                if layer == "subtract":
                    part -= values
                else:
                    part[:] = values
        return out


def made(seed: int, length: int, channels: int, count: int) -> Made:
    random = np.random.default_rng(seed)
    original = random.standard_normal((length, channels)).astype(np.float32).astype(np.float64)
    pieces, free = [], [0] * channels
    for number in range(count):
        channel = int(random.integers(channels))
        if random.random() < 0.3:
            start = int(random.integers(length))
            stop = min(length, start + int(random.integers(1, 200)))
            layer = "subtract"
        else:
            start = free[channel] + int(random.integers(0, 40))
            stop = min(length, start + int(random.integers(1, 30)))
            if start >= length:
                start, stop, layer = 0, 1, "subtract"
            else:
                free[channel], layer = stop, "replace"
        pieces.append(PatchPiece(start, channel, layer, random.standard_normal(stop - start), number))  # type: ignore[arg-type]
    owners = (np.arange(count) // 2).tolist()  # two pieces a repair
    return Made(original, pieces, owners)


@settings(deadline=None)
@given(
    length=st.integers(1, 600),
    channels=st.integers(1, 2),
    count=st.integers(0, 30),
    read_sizes=st.lists(st.integers(1, 97), min_size=1, max_size=4),
    left=st.sets(st.integers(0, 15)),
    seed=st.integers(0, 9999),
)
def test_take_and_pieces_make_the_mended_take(
    length: int, channels: int, count: int, read_sizes: list[int], left: set[int], seed: int
) -> None:
    case = made(seed, length, channels, count)
    reader = PatchReader(case.file())
    assert reader.facts == {"key": "k"}
    for chosen in (set(), left):
        shown, wanted = reader.with_left(chosen), case.plain(chosen)
        at, index = 0, 0
        while at < length:
            stop = min(length, at + read_sizes[index % len(read_sizes)])
            np.testing.assert_array_equal(shown.apply(at, case.original[at:stop]), wanted[at:stop])
            at, index = stop, index + 1


def test_leaving_one_repair_moves_no_other(rng: np.random.Generator) -> None:
    case = made(7, 4000, 2, 60)
    reader = PatchReader(case.file())
    whole = reader.apply(0, case.original)
    for repair in range(0, 30, 7):
        without = reader.with_left({repair}).apply(0, case.original)
        (changed,) = [np.flatnonzero((without != whole).any(axis=1))]
        inside = np.zeros(len(whole), np.bool_)
        for start, stop in reader.spans({repair}):
            inside[start:stop] = True
        assert inside[changed].all()
        assert len(changed)
        np.testing.assert_array_equal(reader.with_left(set()).apply(0, case.original), whole)


def test_reading_backwards_and_out_of_order() -> None:
    case = made(3, 2000, 2, 80)
    reader, wanted = PatchReader(case.file()), case.plain(set())
    for start in (1900, 510, 320, 290, 0, 499):
        part = case.original[start : start + 90]
        np.testing.assert_array_equal(reader.apply(start, part), wanted[start : start + 90])


def test_an_untouched_block_is_the_same_object() -> None:
    case = Made(np.zeros((100, 2)), [PatchPiece(50, 0, "replace", np.ones(3), 0)], [0])
    reader = PatchReader(case.file())
    block = case.original[:20]
    assert reader.apply(0, block) is block
    block = case.original[40:60]
    assert reader.with_left({0}).apply(40, block) is block


def test_what_is_not_a_number_is_silence_whatever_is_left() -> None:
    original = np.ones((30, 2))
    original[5:9, 1] = np.nan
    original[20] = np.inf
    found = number_pieces(0, original)
    pieces = [
        PatchPiece(start, channel, "number", np.zeros(length))
        for start, channel, length in ((20, 0, 1), (5, 1, 4), (20, 1, 1))
    ]
    expected = PatchPieces.of(pieces)
    for column in fields(PatchPieces):
        np.testing.assert_array_equal(getattr(found, column.name), getattr(expected, column.name))
    assert set(found.numbers.tolist()) == {NO_REPAIR}
    case = Made(original, [*pieces, PatchPiece(4, 1, "replace", np.full(8, 0.5), 0)], [0])
    out = PatchReader(case.file()).with_left({0}).apply(0, original)
    assert np.isfinite(out).all()
    np.testing.assert_array_equal(out[4:10, 1], [1, 0, 0, 0, 0, 1])


def test_float32_keeps_24_bits() -> None:
    values = np.array([1.0 - 2.0**-23, 2.0**-23, -1.0])
    case = Made(np.zeros((3, 1)), [PatchPiece(0, 0, "replace", values, 0)], [0])
    np.testing.assert_array_equal(PatchReader(case.file()).apply(0, case.original)[:, 0], values)


def test_something_else_is_refused() -> None:
    with pytest.raises(ShelfError, match="not a patch file"):
        PatchReader(io.BytesIO(b"RIFF....WAVE"))


@pytest.mark.parametrize("cut", [9, 40, 200, -1, -9])
def test_a_torn_file_is_refused(cut: int) -> None:
    content = made(1, 500, 2, 20).file().getvalue()
    with pytest.raises(ShelfError, match="not whole"):
        PatchReader(io.BytesIO(content[:cut]))
