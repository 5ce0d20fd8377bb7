"""Real music for tests and benches: Debian packages, downloaded and unpacked, never installed.

``wesnoth-1.16-music`` is orchestral, ``warzone2100-music`` electronic: most sides are pressed from these two. The
other kinds are for variety: some to fit the evidence of the mender on, the rest to see how it does on kinds it was
not fitted on. All are free (each package's own copyright file says how). Files are referred to by number, in path
order: no titles reach any table.

    .venv/bin/python benchmarks/real_music.py            fetch, then list what is there
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from sidekeep.press.disc.side import Piece

Kind = Literal["orchestral", "electronic", "mixed"]


class MaterialError(Exception):
    """Music for a bench that cannot be had, or is not what it should be."""


PRESSED: dict[str, str] = {"orchestral": "wesnoth-1.16-music", "electronic": "warzone2100-music"}
FITTED: dict[str, str] = {
    "ambient": "singularity-music",
    "cinematic": "ufoai-music",
    "industrial": "nexuiz-music",
    "folk": "hedgewars-data",
    "metal": "fretsonfire-songs-muldjord",
}
"""Kinds only ever fitted on."""
UNSEEN: dict[str, str] = {
    "medieval": "unknown-horizons",
    "rock": "fretsonfire-songs-sectoid",
    "arcade": "extremetuxracer-data",
    "lounge": "lincity-ng-data",
}
"""Kinds never fitted on."""
PACKAGES = PRESSED | FITTED | UNSEEN
# fmt: off
PINNED: dict[str, tuple[str, str]] = {
    "wesnoth-1.16-music": ("1:1.16.9-1", "f9bc3cde92b4ab30db5d7b85f89b4bcc3d788dd92602956d0347250850bf59bb"),
    "warzone2100-music": ("4.3.3-3", "d3b2c9f90ea5438d45d4aff18339a03ec808e1affa9dac91f7dad61cb15ee64e"),
    "singularity-music": ("007-2", "139ba1e408eeb0a72f1fff3760ca46558b9f81bed97dc8c0efa108c4007f4845"),
    "ufoai-music": ("2.5-2", "2465d55e9dce75a3a2a1ad1c8ca67da84e251c04e0965d63a8562b2d9f76f9e6"),
    "nexuiz-music": ("2.5.2-12", "d1a7d6e2c0a5bbe6670dbf73354e38f742597310d425e373250fc71a636f8dda"),
    "hedgewars-data": ("1.0.2-6", "722225903a72604403e6e0026e40e9a6953f47a74d94efc5f55504bc05bb4761"),
    "fretsonfire-songs-muldjord": ("2.dfsg-2.1", "b37adf8b08b46d4182c283e760e4f40622d83674e05803960ea1e11a92600c7b"),
    "unknown-horizons": ("2019.1-6", "ff49ea196d0f57c80d4cd4509c030240cbe632881f8c5b2a1265dd3e3795f100"),
    "fretsonfire-songs-sectoid": ("1.dfsg-3.1", "14c1ed3e43c1a6a80eae7698f0469a0825cd1184e441968d62df89ca418aa0b4"),
    "extremetuxracer-data": ("0.8.2-1", "8ce6c82e6fb89549d284f43f6c4b0a9d82e6c0e5da753bee0ef419276a21470c"),
    "lincity-ng-data": ("2.9~git20150314-5", "8f5e85bd42879abdc7099b035d7a3d7468eceb6b93b52a12270c28f3f3c792f9"),
}
# fmt: on
"""Version and SHA-256 of each package (Debian 12): what the weights are fitted on must be these very files."""
STAMP = "package.json"
"""Beside the unpacked files: which package they are of."""
ARCHIVES = (".pk3", ".zip")
"""Files of a package that hold music packed once more."""
SUFFIXES = (".ogg", ".opus", ".flac", ".wav", ".mp3")
SHORTEST_S = 60.0
"""Jingles and stings below this are left out."""
EDGE_DBFS = -75.0
"""Silence below this at a file's edges is cut away, so that a piece starts where its music does."""
FADE_OUT_S = 2.0


@dataclass(frozen=True, kw_only=True)
class MusicFile:
    """One file of a package: ``number`` counts from 1 in path order among files long enough to be a track."""

    kind: str
    number: int
    path: Path
    rate_hz: int
    length_s: float


def cache_folder() -> Path:
    """``$XDG_CACHE_HOME/sidekeep/music``, else ``.cache/music`` beside the sources."""
    base = os.environ.get("XDG_CACHE_HOME")
    return Path(base) / "sidekeep" / "music" if base else Path(__file__).parents[1] / ".cache" / "music"


def fetch(kinds: tuple[str, ...] = ("orchestral", "electronic"), *, pinned: bool = False) -> list[MusicFile]:
    """Download and unpack what is missing, and list the files.

    Needs ``apt-get`` and ``dpkg-deb`` (Debian, Ubuntu) only when the cache is empty.
    Raises MaterialError in one line when a package cannot be had or, with ``pinned``, when it is not that of ``PINNED``.
    """
    for kind in kinds:
        if kind not in PACKAGES:
            raise ValueError(f"kind {kind!r} must be one of {', '.join(PACKAGES)}")
        if not (cache_folder() / kind / "usr").is_dir():
            _unpack(PACKAGES[kind], cache_folder() / kind)
        if pinned:
            check_pinned(PACKAGES[kind], cache_folder() / kind)
    return [file for kind in kinds for file in list_files(kind)]


def available(kind: str) -> bool:
    """Whether the music of a kind is in the cache already."""
    return (cache_folder() / kind / "usr").is_dir()


def list_files(kind: str) -> list[MusicFile]:
    """The unpacked files of a kind that are at least a minute long, in path order."""
    paths = sorted(p for p in (cache_folder() / kind).rglob("*") if p.suffix in SUFFIXES and p.is_file())
    files: list[MusicFile] = []
    for path in paths:
        facts = soundfile.info(path)
        if facts.channels == 2 and facts.duration >= SHORTEST_S:
            number = len(files) + 1
            files.append(
                MusicFile(
                    kind=kind, number=number, path=path, rate_hz=facts.samplerate, length_s=facts.duration
                )
            )
    return files


def load_audio(file: MusicFile, rate_hz: int, seconds: float | None = None) -> NDArray[np.float64]:
    """The first ``seconds`` of a file (all of it if None) as (frames, 2) at ``rate_hz``.

    Silent edges are cut away; a piece that is cut short gets a two-second fade, as an editor would.
    """
    wanted = -1 if seconds is None else int((seconds + 10.0) * file.rate_hz)
    audio, rate = soundfile.read(file.path, frames=wanted, dtype="float64", always_2d=True)
    if rate != rate_hz:
        audio = soxr.resample(audio, rate, rate_hz, quality="VHQ")
    loud = np.flatnonzero(np.abs(audio).max(axis=1) > 10.0 ** (EDGE_DBFS / 20.0))
    if not loud.size:
        raise MaterialError(f"{file.kind} {file.number} is silent")
    audio = audio[loud[0] : loud[-1] + 1]
    if seconds is not None and len(audio) > seconds * rate_hz:
        audio = audio[: int(seconds * rate_hz)].copy()
        fade = min(len(audio), int(FADE_OUT_S * rate_hz))
        audio[-fade:] *= 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, fade))[:, np.newaxis]
    return np.ascontiguousarray(audio)


def load_pieces(
    kind: Kind,
    count: int,
    seconds: float | None,
    rate_hz: int,
    *,
    first: int = 1,
    segues: tuple[int, ...] = (),
) -> list[Piece]:
    """``count`` pieces of at most ``seconds`` each, ready for ``press_side``.

    ``mixed`` takes the two kinds in turn. ``first`` (from 1) skips files, so that tuning and judging can use
    different music; the list wraps round. Indices (from 0) in ``segues`` run into the piece before.
    """
    kinds = tuple(PRESSED) if kind == "mixed" else (kind,)
    fetch(kinds)
    lists = [list_files(name) for name in kinds]
    pieces = []
    for index in range(count):
        files = lists[index % len(lists)]
        file = files[(first - 1 + index // len(lists)) % len(files)]
        pieces.append(
            Piece(
                audio=load_audio(file, rate_hz, seconds),
                title=f"{file.kind.capitalize()} {file.number}",
                boundary="segue" if index in segues else "gap",
            )
        )
    return pieces


def check_pinned(package: str, folder: Path) -> None:
    """MaterialError unless ``folder`` holds the pinned version of the package, by its hash."""
    stamp = folder / STAMP
    if not stamp.is_file():
        raise MaterialError(
            f"{folder} does not say which {package} it holds: delete it, and it is fetched again"
        )
    held = json.loads(stamp.read_text("utf-8"))
    if (held["version"], held["sha256"]) != PINNED[package]:
        raise MaterialError(
            f"{package} here is {held['version']} ({held['sha256'][:12]}), the weights are fitted on "
            f"{PINNED[package][0]} ({PINNED[package][1][:12]})"
        )


def _unpack(package: str, folder: Path) -> None:
    for tool in ("apt-get", "dpkg-deb"):
        if shutil.which(tool) is None:
            raise MaterialError(
                f"{package} is fetched with {tool}, which is not here: Debian or Ubuntu is needed"
            )
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as scratch:
        got = subprocess.run(["apt-get", "download", package], cwd=scratch, capture_output=True, text=True)
        archives = list(Path(scratch).glob("*.deb"))
        if got.returncode or not archives:
            reason = (got.stderr.strip().splitlines() or ["no reason given"])[-1]
            raise MaterialError(f"{package} could not be downloaded: {reason}")
        unpacked = Path(scratch) / "unpacked"
        subprocess.run(["dpkg-deb", "-x", str(archives[0]), str(unpacked)], check=True)
        for path in [path for path in unpacked.rglob("*") if path.suffix in ARCHIVES]:
            with zipfile.ZipFile(path) as archive:
                music = [name for name in archive.namelist() if name.endswith(SUFFIXES)]
                archive.extractall(path.parent, music)
            path.unlink()
        version = subprocess.run(
            ["dpkg-deb", "-f", str(archives[0]), "Version"], capture_output=True, text=True, check=True
        ).stdout.strip()
        digest = hashlib.sha256(archives[0].read_bytes()).hexdigest()
        stamp = {"package": package, "version": version, "sha256": digest}
        (unpacked / STAMP).write_text(json.dumps(stamp) + "\n", encoding="utf-8")
        unpacked.rename(folder)


if __name__ == "__main__":
    for found in fetch():
        print(f"{found.kind:<11} {found.number:>2}  {found.rate_hz} Hz  {found.length_s:6.1f} s")
