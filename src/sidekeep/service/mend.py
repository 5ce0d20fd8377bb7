"""Mend a file: same length, rate, channels and word length; what was not damaged stays bit for bit."""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sidekeep.copies.kept.intact import reading_whole
from sidekeep.dsp.output.steps import nearest_steps
from sidekeep.errors import ParameterError
from sidekeep.files.guard import OutputGuard
from sidekeep.files.reading.reader import open_source
from sidekeep.files.reading.source import FileSource
from sidekeep.files.writing.sinks import codec_of, open_sink
from sidekeep.flow.mend import Mender
from sidekeep.flow.patches import PatchPieces, number_pieces
from sidekeep.flow.ports import BLOCK_FRAMES, Audio, AudioSink, AudioSource, MendedBlocks
from sidekeep.flow.progress import Progress, no_progress, part
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding
from sidekeep.model.recipe import MendSettings
from sidekeep.model.repair import Repair, left_in_doubt
from sidekeep.service.shelf.place import default_shelf

OUTPUTS = {".wav": "wav", ".flac": "flac", ".aiff": "aiff", ".aif": "aiff"}
_FIRST_SHARE = 0.8
"""Of the time, until all is heard once; where something is left then, the rest goes into writing it again."""


@dataclass(frozen=True, kw_only=True)
class MendResult:
    """What was mended, and what was left: because it was chosen so, or in doubt."""

    format: AudioFormat
    repairs: tuple[Repair, ...]
    left: tuple[Repair, ...]
    findings: tuple[Finding, ...]


def mend_file(
    source_path: Path,
    out_path: Path,
    *,
    settings: MendSettings | None = None,
    taken_out_path: Path | None = None,
    replace: bool = False,
    progress: Progress = no_progress,
) -> MendResult:
    """Write the mended twin of a file, and if asked what was taken out of it as a file of its own."""
    source = open_source(source_path)
    OutputGuard([source_path], shelf=default_shelf()).check(
        out_path, *([taken_out_path] if taken_out_path is not None else [])
    )
    form = source.format
    settings = settings or MendSettings()
    mender = Mender(settings, rate_hz=form.rate_hz, channels=form.channels, lossy=form.is_lossy)
    outputs = _Outputs([out_path] if taken_out_path is None else [out_path, taken_out_path], form, replace)
    try:
        with contextlib.ExitStack() as stack:
            if settings.leave or settings.choices:
                # loaded where something is left: it takes as long as mending some seconds of sound
                from sidekeep.service import mend_choosing

                chosen = stack.enter_context(mend_choosing.chosen(source, mender, settings, progress))
                left, decided, blocks, progress = chosen
                findings = _fill(outputs, source, source_path, blocks, progress)
            else:
                pieces: list[PatchPieces] = []
                blocks = mended_blocks(source, mender, pieces, keeps_original=taken_out_path is not None)

                def heard(share: float, doing: str = "") -> None:
                    # Where something may have to be left, all is written a second time.
                    may_be_left = mender.may_be_in_doubt(form.length_frames)
                    progress(_FIRST_SHARE * share if may_be_left else share, doing)

                findings = _fill(outputs, source, source_path, blocks, heard)
                left, decided = left_in_doubt(mender.repairs), tuple(mender.findings)
                if left:
                    from sidekeep.service import mend_choosing

                    outputs.begin_again()
                    blocks = mend_choosing.without(source, mender, pieces, left)
                    findings = _fill(outputs, source, source_path, blocks, part(progress, _FIRST_SHARE, 1.0))
        outputs.close()
        progress(1.0, "mending")
    except BaseException:
        outputs.abandon()
        raise
    return MendResult(
        format=form,
        repairs=tuple(repair for index, repair in enumerate(mender.repairs) if index not in left),
        left=tuple(repair for index, repair in enumerate(mender.repairs) if index in left),
        findings=(*findings, *decided),
    )


def _fill(
    outputs: _Outputs, source: FileSource, source_path: Path, blocks: MendedBlocks, progress: Progress
) -> tuple[Finding, ...]:
    """Write all blocks; what was found while the source was read."""
    with reading_whole(source, [source_path], only_known=True) as reading:
        for done, original, mended in blocks:
            outputs.write(original, mended)
            progress(done / max(1, source.format.length_frames), "mending")
    return reading.findings


def mended_blocks(
    source: AudioSource, mender: Mender, pieces: list[PatchPieces], *, keeps_original: bool
) -> MendedBlocks:
    """(frames done, original in parts, mended), the two aligned; no parts without ``keeps_original``. What was changed goes into
    ``pieces`` as long as some of it may have to be left; that is known when all is heard, and is little."""
    held: deque[Audio] = deque()
    done = 0

    def original(missing: int) -> list[Audio]:
        parts: list[Audio] = []
        while keeps_original and missing > 0:
            block = held.popleft()
            parts.append(block[:missing])
            if len(block) > missing:
                held.appendleft(block[missing:])
            missing -= len(parts[-1])
        return parts

    read = 0

    def may_be_left() -> bool:
        return mender.may_be_in_doubt(source.format.length_frames)

    def keep(more: PatchPieces) -> None:
        if may_be_left():
            pieces.append(more)
        else:
            pieces.clear()

    for block in source.blocks(BLOCK_FRAMES):
        if keeps_original:
            held.append(block)
        if may_be_left():  # once it is false it stays so: this is a look at every sample
            keep(number_pieces(read, block))
        read += len(block)
        mended = mender.process(block)
        keep(mender.take_pieces())
        if len(mended):
            done += len(mended)
            yield done, original(len(mended)), mended
    for mended in mender.drain():
        done += len(mended)
        yield done, original(len(mended)), mended
    keep(mender.take_pieces())


def _open_output(path: Path, form: AudioFormat, replace: bool) -> AudioSink:
    kind = OUTPUTS.get(path.suffix.lower())
    if kind is None:
        raise ParameterError("mend-ending", name=path.name, known=OUTPUTS)
    if form.is_float and kind != "wav":
        raise ParameterError("mend-float-ending", name=path.name)
    if not form.is_float and form.bits not in codec_of(kind).bits:
        fits_wav = form.bits in codec_of("wav").bits
        raise ParameterError("mend-bits", name=path.name, bits=form.bits, fits_wav=fits_wav)
    return open_sink(
        path,
        kind,
        rate_hz=form.rate_hz,
        channels=form.channels,
        bits=form.bits,
        is_float=form.is_float,
        replace=replace,
    )


class _Outputs:
    """The mended file and, where it is wanted, what was taken out."""

    def __init__(self, paths: Sequence[Path], form: AudioFormat, replace: bool) -> None:
        self._paths, self._form, self._replace = paths, form, replace
        self._open: list[_Output] = []
        self.begin_again()

    def begin_again(self) -> None:
        """All that was written is gone."""
        self.abandon()
        try:
            for path in self._paths:
                self._open.append(_Output(path, self._form, self._replace))
        except BaseException:
            self.abandon()
            raise

    def write(self, original: list[Audio], mended: Audio) -> None:
        """Append a block; the original is needed where there is a second file."""
        self._open[0].write(mended)
        for output in self._open[1:]:
            output.write(np.concatenate(original) - mended)

    def close(self) -> None:
        for output in self._open:
            output.close()

    def abandon(self) -> None:
        for output in self._open:
            output.abandon()
        self._open = []


class _Output:
    """A file that mended sound goes into, in the word length of the source."""

    def __init__(self, path: Path, form: AudioFormat, replace: bool) -> None:
        self._form = form
        self._sink = _open_output(path, form, replace)
        self._steps = np.empty((0, form.channels), np.int32)

    def write(self, block: Audio) -> None:
        """Append; fresh memory for the steps would cost more than the steps."""
        if self._form.is_float:
            self._sink.write(block)
            return
        if len(block) > len(self._steps):
            self._steps = np.empty(block.shape, np.int32)
        self._sink.write_int(nearest_steps(block, self._form.bits, self._steps))

    def close(self) -> None:
        self._sink.close()

    def abandon(self) -> None:
        self._sink.abandon()
