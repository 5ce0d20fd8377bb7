"""Age a disc by a year and ask what has become of it.

Shows: pressing one disc twice (as it was; with wear inside, new ticks, another stylus), comparing the two takes, and what was
pressed beside what was found. Writes the two takes and the page about them into a folder.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import soundfile

from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Piece, Pressed, press_side
from sidekeep.press.music.demo_record import demo_pieces_in_turn
from sidekeep.service.comparing.compare import compare
from sidekeep.wording.findings import told

WEAR_DB, STYLUS_DB, NEW_TICKS = 1.2, -0.5, 12


def pressed(pieces: Sequence[Piece], rate_hz: int, *, is_older: bool) -> Pressed:
    """The same disc now (``play`` 0) and in a year (``play`` 1)."""
    disc = used_lp(loose_dust=0.1)
    aged = disc.but(wear_db=WEAR_DB, stylus_db=STYLUS_DB, new_ticks=NEW_TICKS) if is_older else disc
    return press_side(pieces, rate_hz=rate_hz, settings=aged, seed=741, play=int(is_older))


def first_seconds(seconds: float, rate_hz: int) -> list[Piece]:
    """The beginning of side A of the demo record."""
    left, pieces = round(seconds * rate_hz), []
    for piece in demo_pieces_in_turn("A", rate_hz):
        pieces.append(Piece(audio=piece.audio[:left], title=piece.title, boundary=piece.boundary))
        left -= len(piece.audio)
        if left <= rate_hz:
            break
    return pieces


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, help="where takes and page go")
    parser.add_argument(
        "--seconds", type=float, default=120.0, metavar="S", help="music to press (default: 120)"
    )
    parser.add_argument("--rate", type=int, default=44_100, metavar="HZ")
    options = parser.parse_args(arguments)
    options.folder.mkdir(parents=True, exist_ok=True)
    pieces = first_seconds(options.seconds, options.rate)
    for name, is_older in (("old", False), ("new", True)):
        audio = np.clip(pressed(pieces, options.rate, is_older=is_older).audio, -1.0, 1.0)
        soundfile.write(options.folder / f"{name}.wav", audio, options.rate, subtype="PCM_24")
    print(
        f"pressed: {WEAR_DB:g} dB less at 10 kHz at the end of the side, a stylus that gives {STYLUS_DB:g} dB there, "
        f"{NEW_TICKS} new ticks; a tenth of the dust lies elsewhere"
    )
    result = compare(
        options.folder,
        str(options.folder / "old.wav"),
        str(options.folder / "new.wav"),
        out_dir=options.folder / "compared",
    )
    for line in told(result.findings, result.comparison.rate_hz):
        print(f"found: {line.text}")
    print(options.folder / "compared" / "report.html")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
