"""Speed of the measures, in times real time at 96 kHz stereo on one core (processor time, so that other
work on the machine disturbs little).

    ./run bench measures

Prints the first call apart (compilation, or the cache of it), peak memory, and, where the real music of
``real_music.py`` is cached, how far loudness is from an independent library's.
"""

from __future__ import annotations

import argparse
import platform
import resource
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.channels import ChannelMeter
from sidekeep.dsp.level.clipping import ClippingMeter
from sidekeep.dsp.level.loudness import LoudnessMeter, measure_loudness
from sidekeep.dsp.level.peak_pyramid import PeakBuilder
from sidekeep.dsp.level.sample_levels import SampleMeter
from sidekeep.dsp.level.true_peak import TruePeakMeter
from sidekeep.dsp.output.dither import Quantiser
from sidekeep.dsp.output.resample import Resampler
from sidekeep.flow.measuring.measures import LevelMeter, PeakLoudnessMeter

RATE_HZ = 96000
LENGTH_S = 60.0
BLOCK_FRAMES = 65536

SUBJECTS: dict[str, Callable[[], Any]] = {
    "level meter (all of it)": lambda: LevelMeter(RATE_HZ, 2),
    "peak and loudness meter": lambda: PeakLoudnessMeter(RATE_HZ, 2),
    "  loudness": lambda: LoudnessMeter(RATE_HZ, 2),
    "  true peak": lambda: TruePeakMeter(RATE_HZ, 2),
    "  sample levels": lambda: SampleMeter(RATE_HZ, 2),
    "  clipping": lambda: ClippingMeter(RATE_HZ, 2),
    "  channels": lambda: ChannelMeter(RATE_HZ, 2),
    "dither to 16 bits": lambda: Quantiser(2, bits=16, seed=1),
    "resample to 44.1 kHz": lambda: Resampler(RATE_HZ, 44100, 2),
    "peak levels": lambda: PeakBuilder(RATE_HZ, 2),
}


def music_like(length_s: float) -> NDArray[np.float64]:
    """Partials with swells over groove-like noise, 24-bit samples, peak 0.5."""
    rng = np.random.default_rng(1)
    time_s = np.arange(int(RATE_HZ * length_s)) / RATE_HZ
    audio = rng.normal(0.0, 1e-3, (len(time_s), 2))
    for voice in range(16):
        hz = 60.0 * 2.0 ** (rng.integers(0, 72) / 12.0)
        swell = 0.5 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.05, 0.8) * time_s + voice)
        audio += (swell * np.sin(2 * np.pi * hz * time_s) / (1 + hz / 500))[:, None] * rng.uniform(0.2, 1, 2)
    return np.round(audio * (0.5 / np.abs(audio).max()) * 2**23) / 2**23


def seconds(make: Callable[[], Any], audio: NDArray[np.float64]) -> float:
    """Processor time of one pass over the audio in blocks."""
    subject = make()
    start_s = time.process_time()
    for start in range(0, len(audio), BLOCK_FRAMES):
        subject.process(audio[start : start + BLOCK_FRAMES])
    return time.process_time() - start_s


def time_measures() -> None:
    """Every subject: first call, then the best of three."""
    audio = music_like(LENGTH_S)
    print(f"{'':28}{'first 0.7 s':>14}{'x real time':>14}")
    for name, make in SUBJECTS.items():
        first_s = seconds(make, audio[:BLOCK_FRAMES])
        best_s = min(seconds(make, audio) for _ in range(3))
        print(f"{name:28}{first_s:12.2f} s{LENGTH_S / best_s:14.0f}")


def accuracy_on_real_music() -> None:
    """Integrated loudness of cached real music against an independent BS.1770 library."""
    try:
        import pyebur128
        import soundfile

        from benchmarks.real_music import cache_folder
    except ImportError as error:
        print(f"real music: skipped ({error})")
        return
    paths = sorted(cache_folder().rglob("*.ogg"))[::4]
    if not paths:
        print("real music: none cached (benchmarks/real_music.py fetches it)")
        return
    worst_lu = 0.0
    for path in paths:
        audio, rate_hz = soundfile.read(path, frames=60 * 48000, always_2d=True)
        state = pyebur128.R128State(audio.shape[1], rate_hz, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(audio.ravel(), len(audio))
        theirs = pyebur128.get_loudness_global(state)
        if np.isfinite(theirs):
            ours = measure_loudness(audio, rate_hz=rate_hz).integrated_lufs
            worst_lu = max(worst_lu, abs(ours - theirs))
    print(f"real music: {len(paths)} pieces, loudness within {worst_lu:.1e} LU of the independent library")


def main() -> None:
    """Print the speeds, and how far loudness is from an independent library's."""
    parser = argparse.ArgumentParser(prog="bench measures", description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="as ever: it is quick already")
    parser.parse_args()
    print(f"Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}; one core")
    print(f"{LENGTH_S:g} s of {RATE_HZ} Hz stereo in blocks of {BLOCK_FRAMES} frames")
    time_measures()
    accuracy_on_real_music()
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak_mb:.0f} MB (the test sound itself: {LENGTH_S * RATE_HZ * 16 / 1e6:.0f} MB)")


if __name__ == "__main__":
    main()
