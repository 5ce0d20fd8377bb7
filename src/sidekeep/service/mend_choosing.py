"""Mending a file but for what a person chose to leave: all repairs must be known before any of them can be left."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from typing import BinaryIO

from sidekeep.flow.mend import Mender
from sidekeep.flow.mend_choices import left_repairs
from sidekeep.flow.patches import PatchReader, PatchWriter, number_pieces
from sidekeep.flow.ports import BLOCK_FRAMES, Audio, AudioSource
from sidekeep.flow.progress import Progress, part
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings
from sidekeep.service.choices.repairs import unmatched_findings

Blocks = Iterator[tuple[int, list[Audio], Audio]]
"""(frames done, original in parts, mended)."""


@contextlib.contextmanager
def chosen(
    source: AudioSource, mender: Mender, settings: MendSettings, progress: Progress
) -> Iterator[tuple[frozenset[int], tuple[Finding, ...], Blocks, Progress]]:
    """Mend a whole recording and apply the choices: which repairs are left, what fits none, the blocks to write, and the
    progress that is left for them."""
    with tempfile.TemporaryFile() as file:
        patches = _keep_pieces(source, mender, file, part(progress, 0.0, 0.8))
        found = left_repairs(mender.repairs, settings)
        blocks = _patched_blocks(source, patches.with_left(found.left))
        yield found.left, unmatched_findings(found.unmatched), blocks, part(progress, 0.8, 1.0)


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


def _patched_blocks(source: AudioSource, patches: PatchReader) -> Blocks:
    frame = 0
    for block in source.blocks(BLOCK_FRAMES):
        mended = patches.apply(frame, block)
        frame += len(block)
        yield frame, [block], mended
