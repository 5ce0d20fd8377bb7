"""The ``bext`` chunk of Broadcast Wave, version 2, and its coding history.

Layout: EBU Tech 3285 v2 (2011), little-endian, 602 fixed bytes and the history. Text is ASCII (ISO/IEC 646),
transliterated where it must be. Loudness words are hundredths in a signed 16-bit
number, 0x7FFF where not measured. Coding history: EBU R 98, one line for each generation, ended by CR LF.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass

from sidekeep.errors import AudioFileError, ParameterError
from sidekeep.files.plain_text import ascii_text

FIXED_BYTES = 602
_NOT_MEASURED = 0x7FFF
_LAYOUT = struct.Struct("<256s32s32s10s8sQH64s5h180s")
_LOUDNESS = (
    "loudness_lufs",
    "loudness_range_lu",
    "max_true_peak_dbtp",
    "max_momentary_lufs",
    "max_short_term_lufs",
)
_NEWEST_VERSION = 2


@dataclass(frozen=True, kw_only=True)
class Bext:
    """One ``bext`` chunk. Texts longer than their field are cut at its end; ``None`` is not measured.

    ``origination_date`` is ``yyyy-mm-dd`` or empty, ``origination_time`` ``hh:mm:ss`` or empty;
    ``time_reference_frames`` counts frames since midnight. Raises ``ParameterError`` out of range.
    """

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference_frames: int = 0
    umid: bytes = b""
    loudness_lufs: float | None = None
    loudness_range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None
    coding_history: str = ""
    version: int = _NEWEST_VERSION

    def __post_init__(self) -> None:
        if self.origination_date and not re.fullmatch(r"\d{4}-\d\d-\d\d", self.origination_date):
            raise ParameterError("bext-date", value=self.origination_date)
        if self.origination_time and not re.fullmatch(r"\d\d:\d\d:\d\d", self.origination_time):
            raise ParameterError("bext-time", value=self.origination_time)
        if not 0 <= self.time_reference_frames < 1 << 64:
            raise ParameterError("bext-reference", time_reference_frames=self.time_reference_frames)
        if len(self.umid) > 64:
            raise ParameterError("bext-umid", bytes=len(self.umid))
        for name in _LOUDNESS:
            value = getattr(self, name)
            if value is not None and not -327.68 <= value < 327.67:
                raise ParameterError("bext-loudness", name=name, value=value)

    def to_bytes(self) -> bytes:
        """The body of the chunk, without its 8-byte head and without a pad byte."""
        return (
            _LAYOUT.pack(
                _field(self.description, 256),
                _field(self.originator, 32),
                _field(self.originator_reference, 32),
                _field(self.origination_date, 10),
                _field(self.origination_time, 8),
                self.time_reference_frames,
                self.version,
                self.umid,
                *(_loudness_word(getattr(self, name)) for name in _LOUDNESS),
                b"",
            )
            + ascii_text(self.coding_history).encode()
        )

    @classmethod
    def from_bytes(cls, body: bytes) -> Bext:
        """Read a chunk's body; raises ``AudioFileError`` when it is shorter than the fixed part."""
        if len(body) < FIXED_BYTES:
            raise AudioFileError("bext-too-short", bytes=len(body), needed_bytes=FIXED_BYTES)
        values = _LAYOUT.unpack(body[:FIXED_BYTES])
        version = values[6]
        loudness = values[8:13] if version >= _NEWEST_VERSION else [_NOT_MEASURED] * 5
        date, time = _text(values[3]), _text(values[4])
        return cls(
            description=_text(values[0]),
            originator=_text(values[1]),
            originator_reference=_text(values[2]),
            # Some writers part date and time with other signs; they are read in the standard's form.
            origination_date=_digits(date, "{}-{}-{}", 4, 2, 2),
            origination_time=_digits(time, "{}:{}:{}", 2, 2, 2),
            time_reference_frames=values[5],
            umid=values[7].rstrip(b"\0") if version >= 1 else b"",
            coding_history=_text(body[FIXED_BYTES:]),
            version=version,
            **{
                name: None if word == _NOT_MEASURED else word / 100.0
                for name, word in zip(_LOUDNESS, loudness)
            },
        )


def history_line(
    algorithm: str,
    *,
    rate_hz: int | None = None,
    bits: int | None = None,
    kbit_per_s: int | None = None,
    mode: str = "stereo",
    text: str = "",
) -> str:
    """One line of coding history (EBU R 98), with its CR LF: ``A=PCM,F=96000,W=24,M=stereo,T=converter``.

    ``algorithm`` is ANALOGUE, PCM, MPEG1L3...; ``mode`` mono, stereo, dual-mono or joint-stereo. Commas in
    ``text`` become semicolons, because the comma separates the fields.
    """
    if mode not in ("mono", "stereo", "dual-mono", "joint-stereo"):
        raise ParameterError("bext-mode", mode=mode)
    parts = [f"A={ascii_text(algorithm)}"]
    if rate_hz is not None:
        parts.append(f"F={rate_hz}")
    if kbit_per_s is not None:
        parts.append(f"B={kbit_per_s}")
    if bits is not None:
        parts.append(f"W={bits}")
    parts.append(f"M={mode}")
    if text:
        parts.append("T=" + " ".join(ascii_text(text).replace(",", ";").split()))
    return ",".join(parts) + "\r\n"


def _field(text: str, size: int) -> bytes:
    return ascii_text(text).encode()[:size]


def _text(raw: bytes) -> str:
    return raw.split(b"\0", 1)[0].decode("ascii", "replace").replace("�", "?").rstrip(" ")


def _digits(text: str, form: str, *sizes: int) -> str:
    """Numbers of the given sizes put into ``form``, or nothing when the text is not that."""
    groups = re.fullmatch(r"[^0-9]".join(rf"(\d{{{size}}})" for size in sizes), text)
    return form.format(*groups.groups()) if groups else ""


def _loudness_word(value: float | None) -> int:
    return _NOT_MEASURED if value is None else round(value * 100.0)
