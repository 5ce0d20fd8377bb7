"""The ``bext`` chunk byte by byte: EBU Tech 3285 version 2 (May 2011); coding history: EBU R 98 (1999)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
import wavinfo
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.errors import AudioFileError, ParameterError
from sidekeep.files.plain_text import ascii_text, latin_1_text
from sidekeep.files.wave.bext import Bext, history_line
from sidekeep.files.wave.rf64 import TakeWriter
from tests.files.sounds import counter

FULL = Bext(
    description="Side A of an invented record",
    originator="The sidekeep makers",
    originator_reference="SK-0001-A-1",
    origination_date="2026-11-25",
    origination_time="20:15:30",
    time_reference_frames=(20 * 3600 + 15 * 60 + 30) * 96_000,
    umid=bytes(range(64)),
    loudness_lufs=-18.25,
    loudness_range_lu=9.5,
    max_true_peak_dbtp=-1.02,
    max_momentary_lufs=-10.0,
    max_short_term_lufs=-12.34,
    coding_history=history_line("ANALOGUE", text="turntable; cartridge; 33.33 rpm")
    + history_line("PCM", rate_hz=96_000, bits=24, text="converter"),
)

# Offset, size, name in Tech 3285 v2, table of section 2.3.
OFFSETS = [
    (0, 256, "Description", b"Side A of an invented record"),
    (256, 32, "Originator", b"The sidekeep makers"),
    (288, 32, "OriginatorReference", b"SK-0001-A-1"),
    (320, 10, "OriginationDate", b"2026-11-25"),
    (330, 8, "OriginationTime", b"20:15:30"),
    (338, 4, "TimeReferenceLow", struct.pack("<I", 72_930 * 96_000 & 0xFFFFFFFF)),
    (342, 4, "TimeReferenceHigh", struct.pack("<I", 72_930 * 96_000 >> 32)),
    (346, 2, "Version", struct.pack("<H", 2)),
    (348, 64, "UMID", bytes(range(64))),
    (412, 2, "LoudnessValue", struct.pack("<h", -1825)),
    (414, 2, "LoudnessRange", struct.pack("<h", 950)),
    (416, 2, "MaxTruePeakLevel", struct.pack("<h", -102)),
    (418, 2, "MaxMomentaryLoudness", struct.pack("<h", -1000)),
    (420, 2, "MaxShortTermLoudness", struct.pack("<h", -1234)),
    (422, 180, "Reserved", b""),
]


@pytest.mark.parametrize(("offset", "size", "name", "content"), OFFSETS, ids=[row[2] for row in OFFSETS])
def test_every_field_stands_where_told(offset: int, size: int, name: str, content: bytes) -> None:
    body = FULL.to_bytes()
    assert body[offset : offset + size] == content.ljust(size, b"\0"), name


def test_the_history_follows_at_602() -> None:
    """Lines and their CR LF after R 98; F of 96000 is used in practice (R 98 lists up to 48000)."""
    assert FULL.to_bytes()[602:] == (
        b"A=ANALOGUE,M=stereo,T=turntable; cartridge; 33.33 rpm\r\n"
        b"A=PCM,F=96000,W=24,M=stereo,T=converter\r\n"
    )
    assert history_line("MPEG1L3", rate_hz=44_100, kbit_per_s=160, mode="joint-stereo") == (
        "A=MPEG1L3,F=44100,B=160,M=joint-stereo\r\n"
    )
    # A comma separates the fields, so a text cannot hold one.
    assert history_line("ANALOGUE", mode="mono", text="arm, 9 inch\r\nlong") == (
        "A=ANALOGUE,M=mono,T=arm; 9 inch long\r\n"
    )
    with pytest.raises(ParameterError, match="mode='both'"):
        history_line("PCM", mode="both")


def test_not_measured_is_7fff() -> None:
    """Tech 3285 v2, 2.3: a loudness value that is not used is 0x7FFF."""
    body = Bext().to_bytes()
    assert body[412:422] == b"\xff\x7f" * 5
    assert Bext.from_bytes(body) == Bext()


def test_an_independent_reader_sees_the_same(tmp_path: Path) -> None:
    """wavinfo, also with a history of odd length, which needs a pad byte."""
    for name, chunk in (("even.wav", FULL), ("odd.wav", Bext(description="odd", coding_history="A=PCM\r\n"))):
        path = tmp_path / name
        with TakeWriter(path, rate_hz=96_000, channels=2, bits=24, bext=chunk) as take:
            take.append_bytes(counter(0, 100))
        info = wavinfo.WavInfoReader(str(path))
        bext = info.bext
        assert info.data.frame_count == 100
        assert bext is not None
        assert bext.description == chunk.description
        assert bext.originator == chunk.originator
        assert bext.originator_ref == chunk.originator_reference
        assert bext.time_reference == chunk.time_reference_frames
        assert bext.version == 2
        assert bext.coding_history == chunk.coding_history
    full = wavinfo.WavInfoReader(str(tmp_path / "even.wav")).bext
    assert (full.originator_date, full.originator_time) == ("2026-11-25", "20:15:30")
    assert full.umid == FULL.umid
    assert full.loudness_value == -18.25
    assert full.loudness_range == 9.5
    assert full.max_true_peak == -1.02
    assert full.max_momentary_loudness == -10.0
    assert full.max_shortterm_loudness == -12.34


PRINTABLE = st.text(st.characters(min_codepoint=33, max_codepoint=126), max_size=40)
LOUDNESS = st.none() | st.integers(-32_768, 32_766).map(lambda hundredths: hundredths / 100.0)


@given(
    description=PRINTABLE,
    reference=PRINTABLE.map(lambda text: text[:32]),
    frames=st.integers(0, 2**64 - 1),
    loudness=LOUDNESS,
    peak=LOUDNESS,
    history=PRINTABLE,
)
def test_round_trip(
    description: str, reference: str, frames: int, loudness: float | None, peak: float | None, history: str
) -> None:
    chunk = Bext(
        description=description,
        originator_reference=reference,
        time_reference_frames=frames,
        loudness_lufs=loudness,
        max_true_peak_dbtp=peak,
        coding_history=history,
    )
    assert Bext.from_bytes(chunk.to_bytes()) == chunk


@given(st.text())
def test_any_text_becomes_ascii(text: str) -> None:
    """Tech 3285: texts are ASCII."""
    chunk = Bext(description=text, originator=text, coding_history=text)
    body = chunk.to_bytes()
    assert len(body) == 602 + len(ascii_text(text))
    assert max(body[:346]) < 128


def test_accents_are_taken_off() -> None:
    assert ascii_text("Motörhänd – Élan №1 夜") == "Motorhand - Elan No1 Ye"
    assert ascii_text("Łódź „Øre“ Тихо\u0301") == 'Lodz "Ore" Tikho'
    # The same letter in two pieces, as some systems store it, and a sign that is not of any alphabet.
    assert ascii_text("u\u0308\ue000") == "u?"
    assert latin_1_text("Grüße – Łódź Ærø “x”") == 'Grüße - Lódz Ærø "x"'


def test_older_versions() -> None:
    """v0 and v1 have no loudness words: what stands there is reserved (Tech 3285 v1, v0)."""
    body = bytearray(FULL.to_bytes())
    body[346:348] = struct.pack("<H", 1)
    first = Bext.from_bytes(bytes(body))
    assert first.loudness_lufs is None
    assert first.umid == FULL.umid
    body[346:348] = struct.pack("<H", 0)
    assert Bext.from_bytes(bytes(body)).umid == b""


def test_what_is_refused() -> None:
    for wrong in (
        {"origination_date": "25.11.2026"},
        {"origination_time": "8 pm"},
        {"time_reference_frames": -1},
        {"umid": bytes(65)},
        {"loudness_lufs": 400.0},
    ):
        with pytest.raises(ParameterError, match=next(iter(wrong))):
            Bext(**wrong)
    with pytest.raises(AudioFileError, match="too short"):
        Bext.from_bytes(bytes(601))
