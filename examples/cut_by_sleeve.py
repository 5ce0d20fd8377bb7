"""Cut a side into FLAC files by its sleeve text, with every sample exactly as it was recorded.

Shows: the survey with a sleeve, half-open spans of frames, writing a file that is read back before it gets its name.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from sidekeep.copies.tracks.naming import safe_name
from sidekeep.files.reading.reader import open_source
from sidekeep.files.writing.sinks import open_sink
from sidekeep.service.survey import survey_file


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("sleeve", type=Path)
    parser.add_argument(
        "--sides", metavar="LETTERS", help="the side or sides, when the file's name does not tell"
    )
    parser.add_argument("--out", type=Path, default=Path("tracks"), metavar="DIR")
    options = parser.parse_args(arguments)
    survey = survey_file([options.file], sleeve_path=options.sleeve, side_letters=options.sides).survey
    source = open_source(options.file)
    form = source.format
    options.out.mkdir(parents=True, exist_ok=True)
    for side in survey.cuts.sides:
        for track in side.tracks:
            path = options.out / f"{safe_name(f'{side.side}{track.number} {track.title}')}.flac"
            sink = open_sink(path, "flac", rate_hz=form.rate_hz, channels=form.channels, bits=form.bits)
            try:
                for block in source.blocks(65536, track.start_frame, track.stop_frame):
                    sink.write(block)
                sink.close()
            except BaseException:
                sink.abandon()
                raise
            print(f"{path}  {100 * track.confidence:.0f} % sure")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
