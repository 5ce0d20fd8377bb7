"""Tags in every format, written with mutagen and read back by others: ffprobe, metaflac, and by hand.

Names and layouts: Xiph v-comment list; id3.org "ID3 tag version 2.4.0 - Native Frames" (TMED, APIC, TRCK);
RFC 9639 section 8.8 (PICTURE); RFC 7845 section 5.2.1 (R128 gains); MP4 atoms as mutagen's source has them.
"""

from __future__ import annotations

import hashlib
import io
import json
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from sidekeep.copies.kept.payload import payload_sha256
from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.codecs.flac import flac_audio_start
from sidekeep.files.pictures.artwork import Picture
from sidekeep.files.tags.id3 import media_code
from sidekeep.files.tags.tag_set import Gain, TagSet, clean_tags, r128_texts
from sidekeep.files.tags.tag_writer import write_tags
from sidekeep.files.writing.sinks import open_sink

SUFFIXES = {
    ".flac": "flac",
    ".opus": "opus",
    ".mp3": "mp3-320",
    ".wav": "wav",
    ".aiff": "aiff",
    ".m4a": "aac",
}
FULL = TagSet(
    title="Grüße aus Übersee 🚀 שלום",
    artists=("The Wicker Boats", "Åse Lind"),
    album="Tallow Wharf Almanac",
    album_artists=("The Wicker Boats",),
    track_number=4,
    track_total=9,
    disc_number=1,
    disc_total=2,
    side="B",
    position="B1",
    date="1971",
    original_date="1969",
    genres=("Folk", "Shanty"),
    composers=("Åse Lind", "Tom Reed"),
    label="Umberlatch",
    catalogue_number="Q 12",
    country="Norland",
    media="Vinyl",
    rpm=33.333,
    comment="fine line stylus; moved 2026-11-25",
    isrc="AA6Q72000047",
    barcode="2006381333933",
    track_gain=Gain(gain_db=-4.25, peak=0.891),
    album_gain=Gain(gain_db=-3.5, peak=0.95),
)


def art(kind: str = "front", colour: str = "teal") -> Picture:
    out = io.BytesIO()
    Image.new("RGB", (90, 70), colour).save(out, "JPEG")
    return Picture(kind=kind, data=out.getvalue(), width=90, height=70, description=kind)  # type: ignore[arg-type]


@pytest.fixture
def make(tmp_path: Path) -> Callable[[str], Path]:
    """A short file of a format, without tags."""

    def write(suffix: str) -> Path:
        path = tmp_path / f"sound{suffix}"
        with open_sink(path, SUFFIXES[suffix], rate_hz=48_000, channels=2, bits=24, replace=True) as sink:
            sink.write(np.random.default_rng(1).uniform(-0.3, 0.3, (9_600, 2)))
        return path

    return write


def probe(path: Path, ffprobe: str) -> dict[str, str]:
    """Tags as another reader sees them, names in capitals."""
    command = [
        ffprobe,
        "-v",
        "error",
        "-select_streams",
        "a",
        "-show_entries",
        "format_tags:stream_tags",
        "-of",
        "json",
        str(path),
    ]
    done = subprocess.run(command, capture_output=True, check=True, text=True)
    found = json.loads(done.stdout)
    tags: dict[str, Any] = {}
    for holder in (*found.get("streams", []), found.get("format", {})):
        tags.update(holder.get("tags", {}))
    return {name.upper(): value for name, value in tags.items()}


@pytest.mark.outside
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_ffprobe_reads_what_was_written(
    make: Callable[[str], Path], program: Callable[[str], str], suffix: str
) -> None:
    path = make(suffix)
    before = payload_sha256(path)
    write_tags(path, suffix, FULL, [art(), art("back", "red")])
    assert payload_sha256(path) == before
    got = probe(path, program("ffprobe"))
    assert got["TITLE"] == FULL.title
    assert got["ALBUM"] == "Tallow Wharf Almanac"
    if suffix == ".wav":
        # This reader leaves the ID3 of a WAV unread where it finds LIST/INFO.
        assert got["ARTIST"] == "The Wicker Boats; Åse Lind"
        assert (got["TRACK"], got["DATE"], got["GENRE"]) == ("4", "1971", "Folk; Shanty")
        assert got["COMMENT"] == FULL.comment
        return
    assert got["ALBUM_ARTIST"] == "The Wicker Boats"
    assert got["ARTIST"].replace("/", ";").startswith("The Wicker Boats")
    assert got["TRACK"].split("/")[0] == "4"
    assert got["DATE"] == "1971"
    assert got["GENRE"].startswith("Folk")
    assert got["COMMENT"] == FULL.comment
    assert got["CATALOGNUMBER"] == "Q 12"
    assert got["SIDE"] == "B"
    assert got["POSITION"] == "B1"
    assert (got.get("LABEL") or got.get("PUBLISHER")) == "Umberlatch"
    assert got["MEDIA"] == "Vinyl"
    if suffix == ".opus":
        assert (got["R128_TRACK_GAIN"], got["R128_ALBUM_GAIN"]) == ("-2368", "-2176")
        assert not [name for name in got if name.startswith("REPLAYGAIN")]
    else:
        assert got["REPLAYGAIN_TRACK_GAIN"] == "-4.25 dB"
        assert got["REPLAYGAIN_TRACK_PEAK"] == "0.891000"
        assert got["REPLAYGAIN_ALBUM_GAIN"] == "-3.50 dB"


@pytest.mark.outside
@pytest.mark.parametrize("suffix", [".flac", ".opus", ".mp3", ".m4a", ".aiff", ".wav"])
def test_ffmpeg_gets_the_artwork_back(
    make: Callable[[str], Path], program: Callable[[str], str], tmp_path: Path, suffix: str
) -> None:
    path = make(suffix)
    write_tags(path, suffix, FULL, [art()])
    out = tmp_path / "art.jpg"
    command = [program("ffmpeg"), "-v", "error", "-i", str(path), "-an", "-c:v", "copy", "-y", str(out)]
    done = subprocess.run(command, capture_output=True, check=False, text=True)
    assert done.returncode == 0, done.stderr
    assert hashlib.sha256(out.read_bytes()).digest() == hashlib.sha256(art().data).digest()


@pytest.mark.outside
def test_metaflac_reads_all_comments_and_the_picture_block(
    make: Callable[[str], Path], program: Callable[[str], str]
) -> None:
    path = make(".flac")
    write_tags(path, ".flac", FULL, [art(), art("label", "red")])
    metaflac, flac = program("metaflac"), program("flac")
    done = subprocess.run(
        [metaflac, "--no-utf8-convert", "--export-tags-to=-", str(path)], capture_output=True, check=True
    )
    lines = done.stdout.decode().splitlines()
    for line in (
        "TITLE=Grüße aus Übersee 🚀 שלום",
        "ARTIST=The Wicker Boats",
        "ARTIST=Åse Lind",
        "GENRE=Folk",
        "GENRE=Shanty",
        "COMPOSER=Tom Reed",
        "TRACKTOTAL=9",
        "DISCNUMBER=1",
        "ORIGINALDATE=1969",
        "ISRC=AA6Q72000047",
        "BARCODE=2006381333933",
        "REPLAYGAIN_REFERENCE_LOUDNESS=-18.00 LUFS",
    ):
        assert line in lines
    listed = subprocess.run(
        [metaflac, "--list", "--block-type=PICTURE", str(path)], capture_output=True, check=True, text=True
    ).stdout
    assert "type: 3 (Cover (front))" in listed
    assert "type: 6 (Media" in listed
    assert "width: 90" in listed
    subprocess.run([flac, "-t", "-s", str(path)], check=True, capture_output=True)


def test_id3_bytes_of_version_and_media(make: Callable[[str], Path]) -> None:
    """Head of an ID3v2 tag: "ID3", version, flags, synchsafe size (id3.org, 2.4.0 structure, 3.1)."""
    path = make(".mp3")
    for version in (4, 3):
        write_tags(path, ".mp3", FULL, [art()], id3_version=version)
        data = path.read_bytes()
        assert data[:5] == b"ID3" + bytes([version, 0])
        size = sum((data[6 + place] & 0x7F) << (7 * (3 - place)) for place in range(4))
        # Right behind the tag the first MPEG frame begins: eleven sync bits.
        assert data[10 + size] == 0xFF
        assert data[11 + size] & 0xE0 == 0xE0
        frames = id3_frames(data[10 : 10 + size], version)
        assert frames["TMED"][1:].decode("utf-16" if version == 3 else "utf-8").rstrip("\0") == "TT/33"
        assert frames["TRCK"][1:].decode("utf-16" if version == 3 else "utf-8").rstrip("\0") == "4/9"
        assert b"image/jpeg\x00\x03" in frames["APIC"]
        if version == 4:
            assert frames["TPE1"] == b"\x03The Wicker Boats\x00" + "Åse Lind".encode() + b"\x00"
            assert "TDRC" in frames
            assert "TDOR" in frames
        else:
            assert "TYER" in frames
            assert "TORY" in frames
            assert frames["TPE1"][1:].decode("utf-16").rstrip("\0") == "The Wicker Boats/Åse Lind"


def id3_frames(body: bytes, version: int) -> dict[str, bytes]:
    frames: dict[str, bytes] = {}
    at = 0
    while at + 10 <= len(body) and body[at : at + 1].strip(b"\0"):
        name, raw = body[at : at + 4].decode("ascii"), body[at + 4 : at + 8]
        size = struct.unpack(">I", raw)[0]
        if version == 4:
            size = sum((raw[place] & 0x7F) << (7 * (3 - place)) for place in range(4))
        frames.setdefault(name, body[at + 10 : at + 10 + size])
        at += 10 + size
    return frames


@pytest.mark.parametrize(
    ("rpm", "code"),
    [
        (33.333, "TT/33"),
        (45.0, "TT/45"),
        (78.26, "TT/78"),
        (78.0, "TT/78"),
        (77.92, "TT/78"),
        (71.29, "TT/71"),
        (None, "TT"),
        (16.67, "TT"),
    ],
)
def test_media_codes(rpm: float | None, code: str) -> None:
    """ID3v2.4.0 native frames, section 4.2.3, TMED: turntable records and their speeds."""
    assert media_code(rpm) == code


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_tagging_again_replaces_everything_and_gives_the_same_bytes(
    make: Callable[[str], Path], suffix: str
) -> None:
    path = make(suffix)
    write_tags(path, suffix, FULL, [art()])
    first = path.read_bytes()
    write_tags(path, suffix, TagSet(title="x" * 5000, comment="long"), [art("back", "red"), art("label")])
    write_tags(path, suffix, FULL, [art()])
    assert path.read_bytes() == first


def test_opus_chapters_are_comments(make: Callable[[str], Path]) -> None:
    """CHAPTERxxx=HH:MM:SS.mmm and CHAPTERxxxNAME (Xiph wiki, "Chapter Extension"; from memory)."""
    path = make(".opus")
    write_tags(path, ".opus", TagSet(title="t", chapters=((0.0, "One"), (3725.0625, "Two"))))
    from mutagen.oggopus import OggOpus

    tags = OggOpus(path)
    assert tags["CHAPTER002"] == ["01:02:05.062"]
    assert tags["CHAPTER002NAME"] == ["Two"]


def test_empty_values_are_not_written(make: Callable[[str], Path]) -> None:
    from mutagen.flac import FLAC

    path = make(".flac")
    write_tags(path, ".flac", TagSet(title="Only this"))
    assert FLAC(path).tags.pprint() == "TITLE=Only this"


_READABLE = st.text(st.characters(blacklist_categories=("Cs", "Cc")), max_size=60)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(title=_READABLE, artists=st.lists(_READABLE, max_size=3), comment=st.text(max_size=80))
def test_any_text_survives_every_format(
    make: Callable[[str], Path], title: str, artists: list[str], comment: str
) -> None:
    from mutagen.aiff import AIFF
    from mutagen.flac import FLAC
    from mutagen.mp3 import MP3
    from mutagen.mp4 import MP4

    tags = TagSet(title=title, artists=tuple(artists), comment=comment)
    if "\0" in comment:
        with pytest.raises(ParameterError, match=r"comment .*NUL"):
            clean_tags(tags)
        return
    clean = clean_tags(tags)
    for suffix, reader, names in (
        (".flac", FLAC, ("title", "artist")),
        (".mp3", MP3, ("TIT2", "TPE1")),
        (".aiff", AIFF, ("TIT2", "TPE1")),
        (".m4a", MP4, ("\xa9nam", "\xa9ART")),
    ):
        path = make(suffix)
        write_tags(path, suffix, tags)
        got = reader(path).tags
        for name, values in zip(
            names, ([clean.title] if clean.title else [], list(clean.artists)), strict=True
        ):
            found = got.get(name, []) if got is not None else []
            assert list(getattr(found, "text", found)) == values


def test_what_cannot_be_tagged_is_one_line(tmp_path: Path, make: Callable[[str], Path]) -> None:
    path = tmp_path / "text.flac"
    path.write_bytes(b"not sound at all")
    with pytest.raises(CopyError, match="cannot hold tags"):
        write_tags(path, ".flac", FULL)
    with pytest.raises(FileNotFoundError):
        write_tags(tmp_path / "none.flac", ".flac", FULL)
    with pytest.raises(ParameterError, match="no tags for"):
        write_tags(path, ".txt", FULL)
    with pytest.raises(ParameterError, match="must be 3 or 4"):
        write_tags(path, ".mp3", FULL, id3_version=2)
    with pytest.raises(ParameterError, match=r"title .*NUL"):
        write_tags(make(".flac"), ".flac", TagSet(title="Lamp\0Oil"))


def test_r128_gains() -> None:
    """Q7.8 to -23 LUFS, 16-bit signed (RFC 7845 section 5.2.1): 5 dB less than the gain to -18 LUFS."""
    tags = TagSet(track_gain=Gain(gain_db=5.0, peak=1.0), album_gain=Gain(gain_db=500.0, peak=1.0))
    assert r128_texts(tags) == {"R128_TRACK_GAIN": "0", "R128_ALBUM_GAIN": "32767"}


def test_flac_payload_is_its_packets(make: Callable[[str], Path]) -> None:
    """All that follows the metadata blocks (RFC 9639, section 8.1) is what a demuxer hands out, whatever the tags."""
    import av

    path = make(".flac")
    for _ in range(2):
        digest = hashlib.sha256()
        with av.open(str(path)) as container:
            for packet in container.demux(container.streams.audio[0]):
                digest.update(bytes(packet))
        assert payload_sha256(path) == digest.hexdigest()
        write_tags(path, ".flac", FULL, [art(), art("back", "red")])
    spoilt = bytearray(path.read_bytes())
    spoilt[-300] ^= 0x10
    path.write_bytes(spoilt)
    assert payload_sha256(path) != digest.hexdigest()


def test_flac_without_a_frame_behind_its_head_is_refused(make: Callable[[str], Path]) -> None:
    path = make(".flac")
    with open(path, "rb") as file:
        start = flac_audio_start(file)
    whole = path.read_bytes()
    assert whole[start] == 0xFF
    for content in (whole[: start - 5], whole[:start], b"fLaC", b"ID3" + whole):
        path.write_bytes(content)
        with open(path, "rb") as file:
            assert flac_audio_start(file) == 0
    path.write_bytes(whole[: start - 5])
    with pytest.raises(CopyError, match="cannot be read back"):
        payload_sha256(path)
