"""The kinds of copies: what each is for and what it is made of. No audio code here.

``scope`` says what one file holds: a ``track``, a ``side``, the whole ``record``, a track of a ``cd`` set, or
the untouched takes (``master``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from sidekeep.errors import ParameterError

Scope = Literal["track", "side", "record", "cd", "master"]
CD_RATE_HZ = 44_100


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One kind. ``bits`` is the most an exact one has, 0 for lossy codecs, which are fed with float samples. ``rates_hz``
    lists what the codec may be fed with; empty means the take's own rate. ``kbit_per_s`` is the bit rate that a person wished
    for, 0 for the codec's own, and ``is_wished`` tells whether ``bits`` is."""

    name: str
    suffix: str
    codec: str
    scope: Scope
    bits: int
    rates_hz: tuple[int, ...]
    purpose: str
    kbit_per_s: int = 0
    is_wished: bool = False
    is_image: bool = False
    """Of a CD: one file for the disc instead of one for each track."""

    @property
    def is_lossy(self) -> bool:
        """Whether decoding gives other samples than were put in."""
        return self.bits == 0 and self.scope != "master"

    @property
    def joins_sides(self) -> bool:
        """Whether one file goes on from side to side."""
        return self.scope == "record" or self.is_image

    def formed(self, *, bits: int = 0, rate_hz: int = 0, kbit_per_s: int = 0) -> Kind:
        """The same kind in another form; 0 leaves what it has of itself."""
        return replace(
            self,
            bits=bits or self.bits,
            is_wished=bits > 0,
            rates_hz=(rate_hz,) if rate_hz else self.rates_hz,
            kbit_per_s=kbit_per_s,
        )

    def bits_of(self, take_bits: int) -> int:
        """Word length of a copy of a take: what was wished for, or the take's, which is 16 or the kind's own."""
        return min(self.bits, 16) if take_bits <= 16 and not self.is_wished else self.bits

    def rate_hz(self, take_rate_hz: int) -> int:
        """The rate this kind is written at: the take's, or the allowed one of the same family."""
        if not self.rates_hz:
            return take_rate_hz
        family = [rate for rate in self.rates_hz if take_rate_hz % rate == 0 or rate % take_rate_hz == 0]
        return max(family) if family else max(self.rates_hz)


_BOTH = (44_100, 48_000)
KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind(
            name="lossless",
            suffix=".flac",
            codec="flac",
            scope="track",
            bits=24,
            rates_hz=(),
            purpose="FLAC at the take's rate and word length: for the music library",
        ),
        Kind(
            name="portable",
            suffix=".mp3",
            codec="mp3-320",
            scope="track",
            bits=0,
            rates_hz=_BOTH,
            purpose="MP3, 320 kbit/s joint stereo: plays everywhere",
        ),
        Kind(
            name="portable-small",
            suffix=".mp3",
            codec="mp3-variable",
            scope="track",
            bits=0,
            rates_hz=_BOTH,
            purpose="MP3, variable rate at its best quality: nearly as good, smaller",
        ),
        Kind(
            name="aac",
            suffix=".m4a",
            codec="aac",
            scope="track",
            bits=0,
            rates_hz=_BOTH,
            purpose="AAC, 256 kbit/s in m4a",
        ),
        Kind(
            name="phone",
            suffix=".opus",
            codec="opus",
            scope="track",
            bits=0,
            rates_hz=(48_000,),
            purpose="Opus, 192 kbit/s: small and good, for the phone",
        ),
        Kind(
            name="alac",
            suffix=".m4a",
            codec="alac",
            scope="track",
            bits=24,
            rates_hz=(),
            purpose="ALAC at the take's rate and word length: lossless in m4a",
        ),
        Kind(
            name="wav",
            suffix=".wav",
            codec="wav",
            scope="track",
            bits=24,
            rates_hz=(),
            purpose="WAV at the take's rate and word length: for editing",
        ),
        Kind(
            name="aiff",
            suffix=".aiff",
            codec="aiff",
            scope="track",
            bits=24,
            rates_hz=(),
            purpose="AIFF at the take's rate and word length: for editing",
        ),
        Kind(
            name="side",
            suffix=".flac",
            codec="flac",
            scope="side",
            bits=24,
            rates_hz=(),
            purpose="one FLAC per side with a cue sheet",
        ),
        Kind(
            name="record",
            suffix=".flac",
            codec="flac",
            scope="record",
            bits=24,
            rates_hz=(),
            purpose="one FLAC for the whole record with a cue sheet",
        ),
        Kind(
            name="side-portable",
            suffix=".mp3",
            codec="mp3-320",
            scope="side",
            bits=0,
            rates_hz=_BOTH,
            purpose="one MP3 per side with chapters",
        ),
        Kind(
            name="record-mka",
            suffix=".mka",
            codec="flac",
            scope="record",
            bits=24,
            rates_hz=(),
            purpose="one Matroska file for the whole record, FLAC inside, with chapters",
        ),
        Kind(
            name="record-m4b",
            suffix=".m4b",
            codec="aac",
            scope="record",
            bits=0,
            rates_hz=_BOTH,
            purpose="one m4b for the whole record with chapters: players go on where they stopped",
        ),
        Kind(
            name="record-aac",
            suffix=".m4a",
            codec="aac",
            scope="record",
            bits=0,
            rates_hz=_BOTH,
            purpose="one m4a for the whole record with chapters",
        ),
        Kind(
            name="record-opus",
            suffix=".opus",
            codec="opus",
            scope="record",
            bits=0,
            rates_hz=(48_000,),
            purpose="one Opus file for the whole record with chapters",
        ),
        Kind(
            name="cd",
            suffix=".wav",
            codec="wav",
            scope="cd",
            bits=16,
            rates_hz=(CD_RATE_HZ,),
            purpose="44.1 kHz, 16 bits, cut on CD frames, with cue sheets: plays without gaps",
        ),
        Kind(
            name="cd-image",
            suffix=".wav",
            codec="wav",
            scope="cd",
            bits=16,
            rates_hz=(CD_RATE_HZ,),
            purpose="the same CD as one file for every disc with its cue sheet",
            is_image=True,
        ),
        Kind(
            name="master",
            suffix=".wav",
            codec="bwf",
            scope="master",
            bits=0,
            rates_hz=(),
            purpose="the untouched takes with sleeve, cuts, recipe and checksums, in a bag",
        ),
    )
}


def parse_kinds(text: str | Sequence[str]) -> tuple[str, ...]:
    """``lossless,portable`` or ``all`` to names, in the order of the table, each once."""
    words = text.split(",") if isinstance(text, str) else list(text)
    asked = {word.strip().lower() for word in words if word.strip()}
    if "all" in asked:
        asked = (asked - {"all"}) | set(KINDS)
    unknown = sorted(asked - set(KINDS))
    if unknown:
        raise ParameterError("kind-unknown", kind=unknown[0], known=KINDS)
    if not asked:
        raise ParameterError("no-kind-of-copies", known=KINDS)
    return tuple(name for name in KINDS if name in asked)
