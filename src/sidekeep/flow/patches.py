"""What mending changed, kept beside the take piece by piece: the take itself is never touched.

Every piece belongs to one repair, so any repair can be left and put back when the take is rendered or heard, without
mending again and without moving another. Pieces lie in three layers over the take, in this order:

- ``number``: silence for what is not a number; belongs to no repair and is always laid on;
- ``replace``: new samples for a tick, a pop or crackle; pieces of one channel do not overlap;
- ``subtract``: the tail of a thump, taken off what the layers below give; tails may overlap.

A patch file is a mark, records in about the order of time, and an end that says which repair every piece belongs to
(repairs of both channels are joined only when all are known) and what the file belongs to::

    b"SKPATCH2"
    "P"  int32 pieces, int32 samples
         int64 starts, int32 lengths, int32 numbers, int8 channels, int8 layers, float32 samples
    "E"  int32 count, int32 repair of each number, uint32 length, JSON facts
    int64 offset of "E", b"SKPATCH2"

All little-endian. Reading back is by span, so memory grows with the number of pieces only. float32 holds 24 bits of
fraction: the rounding stays under -140 dBFS.
"""

from __future__ import annotations

import json
import struct
import threading
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any, BinaryIO, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import ShelfError
from sidekeep.flow.ports import Audio

MAGIC = b"SKPATCH2"
Layer = Literal["number", "replace", "subtract"]
LAYERS: tuple[Layer, ...] = ("number", "replace", "subtract")
NO_REPAIR = -1
"""In place of the number of a repair: samples that belong to none."""
_HEAD, _END, _FOOT, _LENGTH = (struct.Struct(form) for form in ("<cii", "<ci", "<q", "<I"))
_COLUMNS = (("starts", "<i8"), ("lengths", "<i4"), ("numbers", "<i4"), ("channels", "<i1"), ("layers", "<i1"))


@dataclass(frozen=True, eq=False)
class PatchPiece:
    """New samples (or what is taken off) on one channel, (frames,). ``number`` counts the repairs as they were noted;
    ``NO_REPAIR`` belongs to none."""

    start_frame: int
    channel: int
    layer: Layer
    values: NDArray[np.floating]
    number: int = NO_REPAIR


@dataclass(frozen=True, eq=False)
class PatchPieces:
    """Many pieces as columns: ``samples`` are the values of all, one behind the other, ``layers`` places in ``LAYERS``."""

    starts: NDArray[np.int64]
    lengths: NDArray[np.int64]
    numbers: NDArray[np.int64]
    channels: NDArray[np.int64]
    layers: NDArray[np.int64]
    samples: NDArray[np.float32]

    def __len__(self) -> int:
        return len(self.starts)

    @classmethod
    def of(cls, pieces: Iterable[PatchPiece]) -> PatchPieces:
        """Pieces that came one by one."""
        chosen = list(pieces)
        rows = [
            (one.start_frame, len(one.values), one.number, one.channel, LAYERS.index(one.layer))
            for one in chosen
        ]
        starts, lengths, numbers, channels, layers = np.array(rows, np.int64).reshape(-1, 5).T
        samples = np.concatenate([np.empty(0, np.float32), *(one.values for one in chosen)])
        return cls(starts, lengths, numbers, channels, layers, samples.astype(np.float32))

    @classmethod
    def joined(cls, parts: Sequence[PatchPieces]) -> PatchPieces:
        """All pieces of several, in order."""
        if len(parts) == 1:
            return parts[0]
        if not parts:
            return cls.of(())
        return cls(
            np.concatenate([part.starts for part in parts]),
            np.concatenate([part.lengths for part in parts]),
            np.concatenate([part.numbers for part in parts]),
            np.concatenate([part.channels for part in parts]),
            np.concatenate([part.layers for part in parts]),
            np.concatenate([part.samples for part in parts]),
        )


def number_pieces(start_frame: int, block: Audio) -> PatchPieces:
    """Silence for every run of samples of a block that are not numbers."""
    return PatchPieces.of(_number_pieces(start_frame, block))


def _number_pieces(start_frame: int, block: Audio) -> Iterator[PatchPiece]:
    odd = ~np.isfinite(block)
    for channel in np.flatnonzero(odd.any(axis=0)):
        edges = np.flatnonzero(np.diff(odd[:, channel], prepend=False, append=False))
        for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            yield PatchPiece(start_frame + first, int(channel), "number", np.zeros(last - first))


class PatchFile(Protocol):
    """What patches are written to."""

    def write(self, data: bytes, /) -> object:
        """Append."""


class PatchWriter:
    """Collects pieces into an open binary file; ``size_bytes`` tells how much was written.

    A survey adds pieces and says at its end which repairs they belong to; who keeps the file closes it with its facts.
    """

    def __init__(self, file: PatchFile) -> None:
        self._file = file
        self._owners: Sequence[int] = ()
        self.size_bytes = 0
        self._write(MAGIC)

    def add(self, pieces: PatchPieces) -> None:
        """Keep pieces; they come in about the order of time."""
        if not len(pieces):
            return
        self._write(
            _HEAD.pack(b"P", len(pieces), len(pieces.samples))
            + b"".join(getattr(pieces, name).astype(form).tobytes() for name, form in _COLUMNS)
            + pieces.samples.astype("<f4").tobytes()
        )

    def add_all_of(self, file: BinaryIO) -> None:
        """Keep all pieces of another whole patch file. Raises ``ShelfError`` when it is not whole."""
        file.seek(-len(MAGIC) - _FOOT.size, 2)
        (end,) = _FOOT.unpack(file.read(_FOOT.size))
        if file.read(len(MAGIC)) != MAGIC:
            raise _not_whole()
        file.seek(len(MAGIC))
        left = end - len(MAGIC)
        while left > 0:
            content = file.read(min(left, 1 << 20))
            if not content:
                raise _not_whole()
            self._write(content)
            left -= len(content)

    def set_owners(self, owners: Sequence[int]) -> None:
        """Say which repair (index in the survey's list) every number belongs to."""
        self._owners = owners

    def close(self, facts: Mapping[str, Any] | None = None) -> None:
        """Write the end; a file without it is not whole. The file itself stays open."""
        offset = self.size_bytes
        text = json.dumps(dict(facts or {}), sort_keys=True).encode()
        self._write(
            _END.pack(b"E", len(self._owners))
            + np.array(self._owners, "<i4").tobytes()
            + _LENGTH.pack(len(text))
            + text
            + _FOOT.pack(offset)
            + MAGIC
        )

    def _write(self, content: bytes) -> None:
        self._file.write(content)
        self.size_bytes += len(content)


@dataclass(frozen=True, eq=False)
class _Index:
    """The pieces of a layer in order of their first frame."""

    starts: NDArray[np.int64]
    stops: NDArray[np.int64]
    repairs: NDArray[np.int32]
    channels: NDArray[np.int8]
    offsets: NDArray[np.int64]
    longest: int

    def touching(self, start_frame: int, stop_frame: int) -> NDArray[np.intp]:
        """Pieces with a frame in the span, in order."""
        low = int(np.searchsorted(self.starts, start_frame - self.longest, "left"))
        high = int(np.searchsorted(self.starts, stop_frame, "left"))
        return low + np.flatnonzero(self.stops[low:high] > start_frame)


class PatchReader:
    """Lays a patch file on any span of its take; the repairs in ``left`` (indices in the survey's list) stay away.

    May be asked from several threads. ``with_left`` is the same file with other repairs left, at no cost.
    """

    def __init__(self, file: BinaryIO, left: Collection[int] = ()) -> None:
        self._file = file
        self._lock = threading.Lock()
        self.facts, self._layers = _read_index(file)
        self._left = frozenset(left)
        self._stays = [self._chosen(layer, self._left) for layer in self._layers]

    def with_left(self, left: Collection[int]) -> PatchReader:
        """The same pieces with other repairs left."""
        other = copy(self)
        other._left = frozenset(left)
        other._stays = [self._chosen(layer, other._left) for layer in self._layers]
        return other

    def apply(self, start_frame: int, block: Audio) -> Audio:
        """The block with its pieces in place; the same object when nothing changes."""
        stop_frame = start_frame + len(block)
        patched = block
        for layer, index, stays in zip(LAYERS, self._layers, self._stays, strict=True):
            touching = index.touching(start_frame, stop_frame)
            touching = touching[stays[touching]]
            if len(touching) and patched is block:
                patched = block.copy()
            for at, values in self._values(index, touching):
                low = int(index.starts[at]) - start_frame
                first, last = max(low, 0), min(low + len(values), len(block))
                part = patched[first:last, index.channels[at]]
                if layer == "subtract":
                    part -= values[first - low : last - low]
                else:
                    part[:] = values[first - low : last - low]
        return patched

    def spans(self, repairs: Collection[int] | None = None) -> list[tuple[int, int]]:
        """Spans of frames that the pieces of these repairs change (None: all pieces), in order, joined where they touch."""
        found: list[tuple[int, int]] = []
        for index in self._layers:
            whole = np.ones(len(index.repairs), bool)
            chosen = whole if repairs is None else np.isin(index.repairs, list(repairs))
            found += zip(index.starts[chosen].tolist(), index.stops[chosen].tolist(), strict=True)
        joined: list[tuple[int, int]] = []
        for start, stop in sorted(found):
            if joined and start <= joined[-1][1]:
                joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
            else:
                joined.append((start, stop))
        return joined

    @staticmethod
    def _chosen(index: _Index, left: frozenset[int]) -> NDArray[np.bool_]:
        return ~np.isin(index.repairs, list(left))

    def _values(self, index: _Index, chosen: NDArray[np.intp]) -> Iterator[tuple[int, NDArray[np.float32]]]:
        """Samples of the chosen pieces: neighbours in the file are read at once."""
        lengths = 4 * (index.stops[chosen] - index.starts[chosen])
        offsets = index.offsets[chosen]
        run = 0
        while run < len(chosen):
            last = run + 1
            while last < len(chosen) and 0 <= offsets[last] - (offsets[last - 1] + lengths[last - 1]) < 65536:
                last += 1
            base = int(offsets[run])
            size = int(offsets[last - 1] + lengths[last - 1]) - base
            with self._lock:
                self._file.seek(base)
                content = self._file.read(size)
            if len(content) != size:
                raise _not_whole()
            for at in range(run, last):
                begin = int(offsets[at]) - base
                yield int(chosen[at]), np.frombuffer(content, "<f4", int(lengths[at]) // 4, begin)
            run = last


def _not_whole() -> ShelfError:
    return ShelfError("patches-not-whole")


def _read_index(file: BinaryIO) -> tuple[dict[str, Any], list[_Index]]:
    """Facts and, per layer, where everything lies."""
    if file.read(len(MAGIC)) != MAGIC:
        raise ShelfError("patches-unknown")
    try:
        first = file.tell()
        file.seek(-len(MAGIC) - _FOOT.size, 2)
        (end,) = _FOOT.unpack(file.read(_FOOT.size))
        if file.read(len(MAGIC)) != MAGIC:
            raise _not_whole()
        columns: dict[str, list[NDArray[Any]]] = {name: [] for name, _ in _COLUMNS}
        offsets: list[NDArray[np.int64]] = []
        file.seek(first)
        while file.tell() < end:
            mark, pieces, samples = _HEAD.unpack(file.read(_HEAD.size))
            if mark != b"P":
                raise _not_whole()
            for name, form in _COLUMNS:
                width = np.dtype(form).itemsize
                columns[name].append(np.frombuffer(file.read(width * pieces), form, pieces))
            sizes = 4 * columns["lengths"][-1].astype(np.int64)
            offsets.append(file.tell() + np.cumsum(sizes) - sizes)
            file.seek(4 * samples, 1)
        mark, count = _END.unpack(file.read(_END.size))
        if mark != b"E":
            raise _not_whole()
        owners = np.frombuffer(file.read(4 * count), "<i4", count)
        (length,) = _LENGTH.unpack(file.read(_LENGTH.size))
        facts: dict[str, Any] = json.loads(file.read(length))
    except (struct.error, ValueError, RecursionError, OSError) as error:
        raise _not_whole() from error
    empty = {name: np.empty(0, form) for name, form in _COLUMNS}
    whole = {name: np.concatenate([empty[name], *columns[name]]) for name, _ in _COLUMNS}
    if len(whole["numbers"]) and int(whole["numbers"].max()) >= count:
        raise _not_whole()
    where = np.concatenate([np.empty(0, np.int64), *offsets])
    owned = np.append(owners, NO_REPAIR)[whole["numbers"]]
    return facts, [_layer(whole, owned, where, layer) for layer in range(len(LAYERS))]


def _layer(
    whole: Mapping[str, NDArray[Any]], owned: NDArray[np.int32], where: NDArray[np.int64], layer: int
) -> _Index:
    chosen = np.flatnonzero(whole["layers"] == layer)
    chosen = chosen[np.argsort(whole["starts"][chosen], kind="stable")]
    starts, lengths = whole["starts"][chosen], whole["lengths"][chosen]
    return _Index(
        starts=starts,
        stops=starts + lengths,
        repairs=owned[chosen],
        channels=whole["channels"][chosen],
        offsets=where[chosen],
        longest=int(lengths.max(initial=0)),
    )
