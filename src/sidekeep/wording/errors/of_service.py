"""Errors about what is asked of the service."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.units import count
from sidekeep.wording.errors.facts import Facts, Sentence


def _no_picture(facts: Facts) -> str:
    return f"this record has no {facts['kind'] or 'such'} picture"


def _sides_unclear(facts: Facts) -> str:
    letters = ",".join(["A"] * (facts["files"] - 1) + ["B"])
    files = count(facts["files"], "file")
    if facts["sides"] == 1:
        return (
            f"{files}, and the sleeve lists one side: write a line 'Side A' or 'Side B' above the tracks of each "
            f"side, or say which file is which, one letter per file (for example {letters})"
        )
    return f"{files} for {facts['sides']} sides on the sleeve: say which is which, one letter per file (for example {letters})"


def _mend_bits(facts: Facts) -> str:
    if facts["fits_wav"]:
        return f"{facts['name']}: a recording of {facts['bits']} bits is mended to .wav only, to stay exact"
    return (
        f"{facts['name']}: a recording of {facts['bits']} bits cannot be mended to the same word length, whose steps are too "
        "coarse; save it with 16 bits and mend that"
    )


WORDS: Mapping[str, Sentence] = {
    "take-in-another": (
        "{take} was itself combined from {playing}, so that playing would count twice; name the takes that were played"
    ),
    "take-named-twice": "one recording is named twice; name different takes of one side",
    "pieces-differ": "these recordings differ in sample rate or channels: they are no pieces of one side",
    "pieces-out-of-order": "these pieces do not lie one behind the other; name them in the order they were played",
    "pieces-in-another-order": "these pieces were played in another order; name them so: {order: }",
    "no-out": "these takes are not of one record on the shelf: say which WAV file the combined one goes to",
    "combined-not-wav": "{name}: the combined take is a WAV file; give it a name that ends in .wav",
    "takes-alike": "both names mean the same recording; name an old take and a new one",
    "take-unknown": (
        "{name} is neither a file nor a take on the shelf; name takes as WORDS/A-2: words of the record, "
        "side, number"
    ),
    "no-such-take": "{name} has no take {take}; it has: {known}",
    "take-of-which-record": "{name}: which record? Name it before the take, as WORDS/{take}",
    "no-takes": "{name} has no takes yet; record them, or bring some in",
    "no-take-of-side": "there is no take of side {side}: record it, or bring one in",
    "not-surveyed": "side {side} has no cuts yet: survey its take first",
    "same-side": "side {side} cannot be swapped with itself",
    "no-take-of-sides": "there is no take of side {a} or {b}, so there is nothing to swap",
    "no-take-of-number": "side {side} has no take {number}",
    "capture-ended": "the capture process ended for an unknown reason; start again",
    "no-record": "there is no such record on the shelf; it may have been moved or discarded",
    "no-report": "there is no report yet; it is written with the copies",
    "not-compared": "these two takes have not been compared yet",
    "not-laid": "how these two takes line up was not kept; compare them again to listen to both",
    "combine-of-one-record": "only different takes of one record can be combined here",
    "combine-of-one-side": "only takes of one side can be combined; these are of several sides",
    "compare-of-one-record": "only two different takes of one record can be compared here",
    "sleeve-without-name": (
        "the text names neither artist nor title: its first line should be 'Artist - Title (Year)'"
    ),
    "no-sides": "name the sides to take by their letters, such as A and B",
    "no-ending": "the name of a recording must end in its format, such as .wav or .flac",
    "side-letters": "side={side!r} must be a letter such as A, or several such as AB",
    "no-window": "no window could be opened here; the folder is {path}",
    "stopped": "stopped",
    "no-such-work": "there is no kind of job called {kind!r}",
    "no-job": "there is no such job; it may have ended long ago",
    "jobs-waiting": "{most} jobs are waiting already; let them finish first",
    "no-take": "there is no such take on the shelf; it may have been moved or discarded",
    "record-not-in-bin": "there is no such record in the bin",
    "take-not-in-bin": "there is no such take in the bin; it may have been brought back already",
    "sleeve-too-long": "the sleeve text has {characters} characters; at most {most} are read",
    "gain-range": "gain_db={gain_db:g} must lie between -60 and 60",
    "listen-too-long": "{length_s:.1f} s is too long: at most {most_s:g} s can be heard at a time",
    "size-range": "size={size_px} must lie between {least_px} and {most_px}",
    "spectrum-size": "width={width}, height={height} must lie between 1 and {widest}, 1 and {tallest}",
    "spectrum-scale": "scale={scale!r} must be even or octaves",
    "empty-span": (
        "frames {start_frame} to {stop_frame} hold nothing of this take, which has {length_frames} frames"
    ),
    "version-unknown": "as={version!r} must be one of {known}",
    "no-mended-sound": "this take is not surveyed yet, so there is no mended sound of it",
    "no-such-act": "do={do!r} must be one of {known}",
    "no-session": "no record is on the turntable",
    "another-record": "another record is on the turntable by now; nothing was done",
    "another-take": (
        "side {side} has begun in the meantime and is still being recorded; nothing was done to it: ask again if you mean it"
    ),
    "turntable-busy": "a record is on the turntable already; end that first",
    "no-answer": "the recording does not start; check the input and try again",
    "being-recorded": "a side is being recorded; its level is shown there",
    "waveform-width": "width={width} must lie between 1 and {widest}",
    "input-forgotten": "which input was used before cannot be read ({reason}); choose it again",
    "input-not-there": "{name} is not there, and {reason}",
    "input-rate-resampled": (
        "{name} runs at {own_rate_hz} Hz; at {rate_hz} Hz the sound server would resample it: change the "
        "rate of the input in the system's sound settings"
    ),
    "input-rate-not-offered": "{name} offers {rates} Hz, not {rate_hz}",
    "no-kind": "no kind of copies was named",
    "no-such-kind": "there is no kind of copies {kind!r}; known: {known}",
    "mend-ending": "{name}: give the mended file a name that ends in one of {known}",
    "mend-float-ending": "{name}: a floating-point recording is mended to .wav only, to stay exact",
    "mend-bits": _mend_bits,
    "recordings-for-sides": "recordings: {files}, sides: {sides}; one is needed for each",
    "take-not-closed": "{name} was not closed properly, so it stays where it is",
    "picture-kind-unknown": "kind={kind!r} must be one of {known}",
    "no-original": "this picture was not sent here, so there is no photograph to straighten",
    "level-word": "level {level!r} must be peak, none or a loudness such as -18",
    "record-unclear": "{count} records match {name!r}: {records}; give more words, or a folder's whole name",
    "no-shelf": "there is no shelf at {shelf}; name another, or make one by bringing a record in",
    "file-without-name": (
        "{name} names neither artist nor title: its first line should be 'Artist - Title (Year)'"
    ),
    "record-unknown": "no record on the shelf matches {name!r}",
    "stylus-hours": (
        "hours_before={hours_before:g} must be a number and not negative, remind_at_h={remind_at_h:g} a "
        "number above 0"
    ),
    "stylus-name": "stylus {name!r} must be a name that can be printed",
    "shelf-is-file": "{shelf} is a file; the shelf is a folder",
    "shelf-not-made": "the shelf {shelf} cannot be made: {reason}",
    "no-sleeve": "no sleeve text at {path}: write the track list there, or go on without one",
    "no-recording": "no recording was named; give one file per side, or one file with all sides",
    "sides-miscounted": "sides named: {sides}, recordings given: {files}; name one side for each",
    "file-twice": "{path} and {other} are the same file; give every side its own recording",
    "side-letters-of-files": "side {side!r} must be a letter such as A, or several such as AB",
    "side-unknown": "side {side} is not on the sleeve, which has {known}",
    "shelf-recording": "sidekeep is recording onto {shelf} elsewhere; end that first",
    "side-letter": "side {side!r} must be a letter such as A",
    "no-record-to-take": "name a record on the shelf, or a sleeve text to plan it from",
    "no-room": (
        "there is room for {free_min} min on the disk of {folder}, but side {side} needs {needed_min} "
        "min: make room first"
    ),
    "no-room-to-combine": (
        "there are {free_mb} MB free on the disk of {folder}, but the combined take needs {needed_mb} MB: make room first"
    ),
    "no-room-for-copies": (
        "there are {free_mb} MB free on the disk of {folder}, but these copies need about {needed_mb} MB: make room first, or "
        "write fewer kinds"
    ),
    "no-music": "no music was found on these recordings; see what the survey says about them",
    "out-is-file": "{path} is a file; copies go into a folder",
    "isrc-unreadable": "ISRC {text!r} must be a track's mark and its code, such as A2=AA6Q72000047",
    "no-side-named": "no side was named; say which: A, or A B",
    "side-not-on-sleeve": (
        "side {side} is not on the sleeve, which has {known}: add it to sleeve.txt, or record it anyway"
    ),
    "shelf-gone": (
        "the records in {shelf} are not there any more: its disk may be unplugged, or the network drive lost; connect it again "
        "(nothing is written there meanwhile)"
    ),
    "no-shelf-to-verify": "there is no shelf at {shelf}; name a folder to verify",
    "input-not-opened": "the sound input cannot be opened ({reason})",
    "input-moved": "the system switched to another input ({other}), which is not the one you chose, so listening was ended",
    "input-gone": "the sound input is gone: check its plug, its power and the sound server",
    "no-input": "{reason}",
    "input-missing": (
        "the input used so far, {name}, is not there: connect it and switch it on, or choose another "
        "({inputs:; })"
    ),
    "no-picture": _no_picture,
    "more-files-than-letters": (
        "{files} recordings, and sides are called A to Z: give at most {most} at a time, one record after the other, "
        "or the pieces of one side under one letter"
    ),
    "sides-unclear": _sides_unclear,
    "name-says-other-side": "{file} is given as side {side}, and its name says side {said}: give the files in the order of the "
    "sleeve, or say which is which, one letter per file",
    "take-of-many-channels": "a take with {channels} channels: only mono and stereo takes can be compared",
    "no-day": "{text} is not a date: write it as 2030-01-31",
    "reminder-without-day": "{path} must hold a date, such as: after = 2030-01-31",
    "reminder-of-which-record": "which record? Name it before the day",
    "months-out-of-range": "months={months:g} must be more than 0 and less than 1200",
    "recording-onto-shelf": "a side is being recorded onto this shelf; wait until it is closed",
    "memory": "out of memory; close other programs and try again",
    "job-fault": "a fault in sidekeep: {reason}",
    "ended": "the work was stopped from outside; ask for it again",
    "interrupted": "sidekeep was ended before this was done; ask for it again",
}
