"""Clean music that looks like damage: what a mender must leave alone.

There is no groove in these sounds: no hiss, no dust, no scratch. Whatever a mender "repairs" here is a
false repair (loud brass makes periodic pulses in the prediction error: Esquef, Karjalainen & Valimaki,
Proc. Digital Signal Processing, 2002; drum and castanet attacks, quills,
hard-edged waves, clipped hands and borrowed surface noise are the other classic traps).
Two of the sounds hold crackle and needle noise *as part of the music*, the way a composer uses samples;
on those any tool must lean on context, so scores on them are best shown apart (``BORROWED``).

Arrays are (frames, 2) float64, peaks at -3 dBFS, the first and last 20 ms faded.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.press.music.null_attacks import (
    null_applause,
    null_castanets,
    null_claves,
    null_drum_kit,
    null_electronic_clicks,
    null_needle_rub,
    null_snare,
    null_vinyl_loop,
)
from sidekeep.press.music.null_tones import (
    null_brass_section,
    null_chip_squares,
    null_choir,
    null_distorted_guitar,
    null_harpsichord,
    null_organ,
    null_piano,
    null_solo_trumpet,
    null_solo_voice,
    null_strings_bells,
)
from sidekeep.press.music.tone import Array

BORROWED = ("vinyl-loop", "needle-rub")
"""Names of the sounds whose music is itself made of record noise."""
PEAK = 10.0 ** (-3.0 / 20.0)
SOUNDS: dict[str, Callable[[int, float, np.random.Generator], Array]] = {
    "brass-section": null_brass_section,
    "solo-trumpet": null_solo_trumpet,
    "castanets": null_castanets,
    "claves": null_claves,
    "snare": null_snare,
    "drum-kit": null_drum_kit,
    "harpsichord": null_harpsichord,
    "distorted-guitar": null_distorted_guitar,
    "chip-squares": null_chip_squares,
    "electronic-clicks": null_electronic_clicks,
    "applause": null_applause,
    "solo-voice": null_solo_voice,
    "choir": null_choir,
    "piano": null_piano,
    "organ": null_organ,
    "strings-bells": null_strings_bells,
    "vinyl-loop": null_vinyl_loop,
    "needle-rub": null_needle_rub,
}
"""Every sound by name; each makes (frames, 2) from rate, seconds and a generator."""


def null_sound(name: str, rate_hz: int, seconds: float, seed: int = 1) -> Array:
    """One sound of the null set, (frames, 2) float64; same arguments, same samples."""
    if name not in SOUNDS:
        raise ParameterError("nullset-name", name=name, known=SOUNDS)
    if seconds < 2.0:
        raise ParameterError("nullset-seconds", seconds=seconds)
    rng = np.random.default_rng([seed, *name.encode()])
    stage = SOUNDS[name](rate_hz, seconds, rng)[: round(seconds * rate_hz)]
    fade = int(0.02 * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    stage[:fade] *= ramp[:, None]
    stage[-fade:] *= ramp[::-1, None]
    return stage * (PEAK / np.max(np.abs(stage)))


def null_set(rate_hz: int, seconds: float, seed: int = 1) -> list[tuple[str, Array]]:
    """All sounds of the null set, ``seconds`` each, as (name, audio (frames, 2))."""
    return [(name, null_sound(name, rate_hz, seconds, seed)) for name in SOUNDS]
