"""Errors about files of sound and pictures."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.units import count
from sidekeep.wording.errors.facts import Facts, Sentence, filled

_KEPT: Mapping[str, str] = {"bag": "a bag", "take": "a take", "takes": "the place of a record's takes"}


def _small(ending: str) -> Sentence:
    # A small file, with what it is before its name: ``the sleeve text FILE is not there``.
    return lambda facts: f"the {facts['what'].replace('-', ' ')} {facts['path']} {filled(ending, facts)}"


def _small_too_long(facts: Facts) -> str:
    most = int(facts["most_bytes"])
    size = f"{most >> 20} MB" if most >= 1 << 20 else f"{most >> 10} kB"
    return filled(_small(f"is longer than {size}; is it the right file?"), facts)


def _place_is_kept(facts: Facts) -> str:
    return (
        f"{facts['output']} cannot be written: {facts['folder']} is {_KEPT[facts['what']]}, where nothing is ever "
        "changed; choose another place"
    )


def _output_is_kept(facts: Facts) -> str:
    who = "it" if facts["name"] == facts["kept"] else f"{facts['name']} is {facts['kept']}, which"
    return f"{facts['output']} cannot be written: {who} is only ever read; name another"


def _not_moved(facts: Facts) -> str:
    return f"{facts['path']} stays where it is: {facts['folder']} is {_KEPT[facts['what']]}; bring in a copy of it instead"


WORDS: Mapping[str, Sentence] = {
    "exists": "{path} exists already; nothing is overwritten unless you ask for it",
    "folder-of-that-name": "cannot write {path}: there is a folder of that name; choose another name",
    "bext-mode": "mode={mode!r} must be mono, stereo, dual-mono or joint-stereo",
    "bext-date": "origination_date={value!r} must be written yyyy-mm-dd",
    "bext-time": "origination_time={value!r} must be written hh:mm:ss",
    "bext-reference": "time_reference_frames={time_reference_frames} must be 0 or more",
    "bext-umid": "umid has {bytes} bytes; at most 64 are allowed",
    "bext-too-short": (
        "a bext chunk of {bytes} bytes is too short; {needed_bytes} are needed, so it is damaged"
    ),
    "bext-loudness": "{name}={value:g} must lie between -327 and 327",
    "codec-channels": "channels={channels} must be 1 or 2 for {kind}",
    "codec-rates": "rate_hz={rate_hz} must be one of {rates} for {kind}; convert the rate first",
    "codec-rate-range": "rate_hz={rate_hz} must lie between 8000 and {highest_rate_hz} for {kind}",
    "codec-float": "float samples can be kept in wav only, not in {kind}",
    "codec-bits": "bits={bits} must be {lengths} for {kind}",
    "stream-form": "{path} holds sound in an unknown format; export it as WAV or FLAC",
    "stream-form-named": "{path} holds sound in an unknown format ({name}); export it as WAV or FLAC",
    "not-audio": (
        "{path} is not audio this program can read ({error}); it is another kind of file, or damaged"
    ),
    "no-audio-in-file": "{path} holds no audio; give a recording of a side",
    "form-changes": (
        "{path} changes its sample rate or channels part of the way through; export it again with one of each"
    ),
    "no-head-to-follow": "{path} does not begin like a take, so it cannot be followed while it grows",
    "not-followed": "{path} cannot be followed while it grows ({reason}); it can be surveyed once it is closed",
    "became-shorter": "{path} became shorter while it was being followed; it can be surveyed once it is closed",
    "same-output": "{output} and {other} are the same file; give two names",
    "mp3-no-gapless": "{name} was written without the numbers that gapless players need; the cause is not known: try again",
    "mp3-length": "{name} is not as long as what went in; the cause is not known: try again",
    "picture-kind": "picture kind {kind!r} must be one of {known}",
    "picture-side": "maximum_side_px={maximum_side_px} must lie between 64 and 10000",
    "picture-of-phone": (
        "{name} is in the form in which phones keep their photographs (HEIC or AVIF), which cannot be read here: set the "
        "camera to JPEG, or share the picture as JPEG"
    ),
    "not-a-picture": "{name} is not a picture that can be read; give a JPEG or PNG file",
    "picture-damaged": "{name} is a damaged picture ({reason}); save or scan it again",
    "reads-back-another-length": (
        "{path} gives back {got_frames} frames of {got_channels} channels at {got_rate_hz} Hz, {frames} "
        "of {channels} at {rate_hz} Hz went in; the cause is not known: check the disk, then try again"
    ),
    "not-read-back": (
        "{path} could not be read back ({reason}); the cause is not known: check the disk, then try again"
    ),
    "reads-back-differently": (
        "{path} does not give back the samples written; the cause is not known: check the disk, then try "
        "again"
    ),
    "packets-damaged": "{packets} packets of {path} cannot be decoded; the cause is not known: check the disk, then try again",
    "not-decoded": "{path} cannot be decoded ({reason}); the cause is not known: check the disk, then try again",
    "reads-back-another-level": (
        "{path} is {change_db:+.1f} dB off the level that went in; the cause is not known: try again"
    ),
    "no-sound-checksum": "{path} holds no checksum of its samples; the cause is not known: try again",
    "says-another-length": (
        "{path} says it holds {said_frames} frames, {frames} went in; the cause is not known: try again"
    ),
    "too-many-channels": (
        "{file} has {channels} channels; a record has one or two, so export the two that the turntable is on"
    ),
    "rate-out-of-range": (
        "{file} says its sample rate is {rate_hz} Hz; {lowest_hz} to {highest_hz} is allowed: either its "
        "header is damaged, or it is not a recording of a record"
    ),
    "no-file": "no file was given; a side needs at least one",
    "file-empty": "{file} is empty (0 bytes): nothing was recorded or copied into it",
    "file-is-folder": "{file} is a folder; give the recordings in it",
    "file-not-ordinary": (
        "{file} is not an ordinary file: a take is read more than once, which a pipe or a device cannot give; save the "
        "sound in a file first"
    ),
    "file-link-leads-nowhere": "{file} is a link to something that is not there; give the recording itself",
    "file-not-permitted": "you are not permitted to read {file}; check its permissions",
    "file-unread": "{file} cannot be read: {reason}",
    "file-missing": "{file} does not exist; check the name, or restore it from a backup if it was there before",
    "no-room-for-sizes": (
        "{file} is larger than 4 GiB and its header has no room for 64-bit sizes; it can be read as it is"
    ),
    "wav-form": "channels={channels} and rate_hz={rate_hz} must be at least 1",
    "wav-block-cut": "{bytes} bytes are not whole frames of {frame_bytes}; a block was cut",
    "wav-columns": "samples of shape {shape} must have {channels} columns",
    "not-opened-for-repair": "{file} cannot be opened for repair ({reason})",
    "no-head": "{file} does not begin with a complete WAV header; if it is a take, nothing had been recorded yet",
    "wav-not-whole": "{name} is not a complete WAV file; write it again",
    "wav-too-long": "{name} has no room for another chunk: a WAV file ends at 4 GiB",
    "sample-bits": "bits={bits} must be 16, 24 or 32",
    "encoder-failed": "cannot write {path}: the encoder failed ({reason}); the cause is not known: try again",
    "sink-state": "{path} is {state}; nothing can be added to it",
    "sink-columns": "a block of shape {shape} must have {channels} columns for {name}",
    "sink-without-sound": "cannot write {path}: no sound was given for it; check where it starts",
    "sink-kind": "kind {kind!r} must be one of {known}",
    "corners": "corners must be four points [x, y] between 0 and 1",
    "corners-crossed": "these corners do not make a four-sided picture; drag them apart",
    "block-frames": "block_frames={block_frames} must be at least 1",
    "span-outside": "span {start_frame} to {stop_frame} must lie within the {length_frames} frames of {name}",
    "not-unpacked": (
        "{path} could not be unpacked into {folder} ({reason}); free some space there or set TMPDIR to "
        "another folder"
    ),
    "parts-differ": lambda facts: (
        f"{facts['name']} has {facts['rate_hz']} Hz and {count(facts['channels'], 'channel')}, {facts['first_name']} has "
        f"{facts['first_rate_hz']} Hz and {facts['first_channels']}; files of one side must be recorded alike"
    ),
    "id3-version": "id3_version={id3_version} must be 3 or 4",
    "no-tags-for": "no tags for {suffix!r} files; allowed: {known}",
    "tags-refused": "{name} cannot hold tags: {reason}",
    "tag-nul": "{name} {text!r} holds a NUL character; take it out of the sleeve text",
    "tag-half-character": "{name} {text!r} holds half a character; type it again",
    "disk-full": "cannot write {path}: the disk is full; free some space or choose another folder",
    "no-more-files": (
        "cannot write {path}: the disk has room, but takes no more files; remove some that you do not need, "
        "or choose another folder"
    ),
    "quota-full": (
        "cannot write {path}: your share of the disk is used up; free some space or choose another folder"
    ),
    "file-outgrown": (
        "cannot write {path}: the file grows past what this file system or account allows; choose another "
        "folder"
    ),
    "not-permitted": "cannot write {path}: writing is not permitted there; check the folder's permissions",
    "disk-read-only": "cannot write {path}: the disk is read-only; choose another folder",
    "name-too-long": "cannot write {path}: the name is too long for this file system; shorten it",
    "folder-not-there": (
        "cannot write {path}: its folder is not there (removed, renamed, or a disk that is not connected)"
    ),
    "part-is-file": "cannot write {path}: a part of the path is a file, not a folder",
    "disk-fault": "cannot write {path}: the disk reports an error; check it, and its cable",
    "not-written": "cannot write {path}: {reason}",
    "output-is-kept": _output_is_kept,
    "output-links-to-kept": (
        "{output} cannot be written: {name} is a link to {kept}, which is only ever read; name another"
    ),
    "picture-too-large": (
        "{name} has {width_px} x {height_px} pixels, at most {most_millions} million are allowed; scan it "
        "smaller"
    ),
    "picture-far-too-large": (
        "{name} has far too many pixels, at most {most_millions} million are allowed; scan it smaller"
    ),
    "no-sound": "{file} holds no sound at all: its length is 0",
    "wav-float-bits": "bits={bits} must be 32 or 64 for floats",
    "broken-off": (
        "{path} cannot be read past {place}: it is damaged there or changed while being read; restore "
        "it from a backup"
    ),
    "small-file-missing": _small("is not there"),
    "small-file-is-folder": _small("is a folder, not a file"),
    "small-file-not-ordinary": _small("is a folder, a pipe or a device, not a file"),
    "small-file-unread": _small("cannot be read: {reason}"),
    "small-file-not-text": _small("is not UTF-8 text (byte {byte}); save it as UTF-8"),
    "small-file-too-long": _small_too_long,
    "place-is-kept": _place_is_kept,
    "not-moved": _not_moved,
}
