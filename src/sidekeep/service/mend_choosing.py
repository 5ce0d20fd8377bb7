"""Mending a file but for what is left, by choice or in doubt: all repairs must be known before any of them can be left."""

from __future__ import annotations

import contextlib
import io
import tempfile
from collections.abc import Iterator, Sequence
from typing import BinaryIO

from sidekeep.flow.mend import Mender
from sidekeep.flow.mend_choices import left_repairs
from sidekeep.flow.patches import PatchPieces, PatchReader, PatchWriter, number_pieces
from sidekeep.flow.ports import BLOCK_FRAMES, AudioSource, MendedBlocks
from sidekeep.flow.progress import Progress, part
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings
from sidekeep.service.choices.repairs import open_findings, unmatched_findings


@contextlib.contextmanager
def chosen(
    source: AudioSource, mender: Mender, settings: MendSettings, progress: Progress
) -> Iterator[tuple[frozenset[int], tuple[Finding, ...], MendedBlocks, Progress]]:
    """Mend a whole recording and apply the choices: which repairs are left, what was found, the blocks to write, and the
    progress that is left for them."""
    with tempfile.TemporaryFile() as file:
        patches = _keep_pieces(source, mender, file, part(progress, 0.0, 0.8))
        found = left_repairs(mender.repairs, settings)
        blocks = _patched_blocks(source, patches.with_left(found.left))
        findings = open_findings(mender.findings, mender.repairs, found.left)
        yield found.left, (*unmatched_findings(found.unmatched), *findings), blocks, part(progress, 0.8, 1.0)


def without(
    source: AudioSource, mender: Mender, pieces: Sequence[PatchPieces], left: frozenset[int]
) -> MendedBlocks:
    """The recording once more, mended by pieces that were kept, but for some of the repairs."""
    file = io.BytesIO()
    patches = PatchWriter(file)
    patches.add(PatchPieces.joined(pieces))
    patches.set_owners(mender.owners)
    patches.close()
    file.seek(0)
    return _patched_blocks(source, PatchReader(file).with_left(left))


def _keep_pieces(source: AudioSource, mender: Mender, file: BinaryIO, progress: Progress) -> PatchReader:
    """Mend a whole recording into patches: with all repairs known, any of them can be left."""
    patches = PatchWriter(file)
    frame = 0
    for block in source.blocks(BLOCK_FRAMES):
        patches.add(number_pieces(frame, block))
        mender.process(block)
        patches.add(mender.take_pieces())
        frame += len(block)
        progress(frame / max(1, source.format.length_frames), "mending")
    mender.flush()
    patches.add(mender.take_pieces())
    patches.set_owners(mender.owners)
    patches.close()
    file.seek(0)
    return PatchReader(file)


def _patched_blocks(source: AudioSource, patches: PatchReader) -> MendedBlocks:
    frame = 0
    for block in source.blocks(BLOCK_FRAMES):
        mended = patches.apply(frame, block)
        frame += len(block)
        yield frame, [block], mended
