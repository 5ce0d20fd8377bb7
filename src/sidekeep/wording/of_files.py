"""Findings about the file and how the take was recorded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sidekeep.wording.about import About, Say, SayAll, count, listed, places


def _lost(about: About) -> str:
    near = f" (within {about.number('within_s'):.0f} s)" if about.has("within_s") else ""
    return f"{_loss(about)} at {about.start}{near} while the take was recorded. Close other programs and take the side again."


def _loss(about: About) -> str:
    return (
        f"{about.number('lost_s'):.3f} s of sound was lost"
        if about.has("lost_s")
        else "Sound may have been lost"
    )


def _lost_at_places(all_of: Sequence[About]) -> str:
    known_s = sum(about.number("lost_s") for about in all_of if about.has("lost_s"))
    where = places(all_of)
    much = f", {known_s:.3f} s in all" if known_s else ""
    return (
        f"Sound was lost at {count(len(where), 'place')} while the take was recorded{much}: {listed(where)}. "
        "Close other programs and take the side again."
    )


def _cut_short_at_places(all_of: Sequence[About]) -> str:
    return (
        f"The recording was interrupted at {listed(places(all_of))}; all that was written is kept. "
        "Take the side again if it is not whole."
    )


_MEETING = {
    "exact": "no sample is missing and none is there twice",
    "music": "in music that both hold, so nothing should be missing",
    "apart": "they hold no music in common, so what was played between them is missing; take the side again if you want it whole",
}


def _pieces_meet(about: About) -> str:
    return (
        f"{about.word('first')} and {about.word('second')} were put together at {about.start}: "
        f"{_MEETING[about.word('how')]}. Listen there."
    )


def _truncated(about: About) -> str:
    promise = (
        f"although its header promises {about.frames('claimed_frames')}"
        if about.has("claimed_frames")
        else "in the middle of a piece"
    )
    return (
        f"{about.word('name')} ends at {about.frames('read_frames')} {promise}: it was cut short. Copy it again from where "
        "it came; what is there is used."
    )


WORDS: Mapping[str, Say] = {
    "truncated-file": _truncated,
    "end-not-marked": lambda about: (
        f"{about.word('name')} does not say that it ends at {about.frames('read_frames')}: it may have been cut short there, or "
        "the program that wrote it never marks an end. Listen whether the music is whole; if not, copy it again from where it "
        "came."
    ),
    "unfinished-file": lambda about: (
        f"{about.word('name')} was never closed by the program that wrote it, so its header does not say how long it is. "
        f"All {about.frames('read_frames')} in it are used."
    ),
    "damaged-file": lambda about: (
        f"{count(about.whole('damaged_packets'), 'piece')} of {about.word('name')} could not be decoded and "
        f"{'is' if about.whole('damaged_packets') == 1 else 'are'} missing. Restore the file from a backup."
    ),
    "own-sum-differs": lambda about: (
        f"The sound of {about.word('name')} is not what its own checksum says (FLAC keeps an MD5 of its samples): the file was "
        "damaged after it was made. Restore it from a backup, or copy it again from where it came; what is there is used."
    ),
    "empty": lambda about: (
        "The file is whole, but there is no sound in it at all: not one frame. Record again."
    ),
    "too-short": lambda about: (
        f"There is hardly any sound in this take: {about.number('length_s'):.3f} s, too little to hear anything in. Name another "
        "file, or take the side again."
    ),
    "no-music": lambda about: (
        "No music was found in this recording: nothing in it stands out from its own steady sound for long enough. Listen to it: "
        "is it the right file, and was the needle in the groove?"
    ),
    "silent": lambda about: (
        "There is no sound in this take. Check that the right input was chosen, that the phono stage is switched on "
        "and that the needle was down. Turn the volume down before you try."
    ),
    "not-a-number": lambda about: (
        f"{count(about.whole('frames'), 'frame')} of this file {'is' if about.whole('frames') == 1 else 'are'} not a number "
        "(NaN, infinity or far beyond full scale) and counted as silence. Make the file again from its source."
    ),
    "fewer-bits": lambda about: (
        f"The file has room for {about.whole('bits')} bits, but only {about.whole('bits_in_use')} are ever used: it comes "
        f"from a {about.whole('bits_in_use')}-bit recording or converter. "
        + (
            "Nothing is missing; no converter gives more."
            if about.finding.severity == "note"
            else f"If you meant to record with {about.whole('bits')} bits, check the input's settings."
        )
    ),
    "band-limit": lambda about: (
        f"There is no sound above {about.number('edge_hz') / 1000:.1f} kHz (it falls {about.number('fall_db'):.0f} dB within "
        "1 kHz). Grooves fade gently: this file was once at a lower sample rate or in a lossy format. "
        "Use the original if there is one."
    ),
    "mirrored-sound": lambda about: (
        f"This file was at {about.number('once_hz') / 1000:g} kHz once and was brought to {about.number('rate_hz') / 1000:g} kHz "
        "by a coarse method: its sound is there a second time, mirrored, some "
        f"{about.number('under_db'):.0f} dB under itself. Use the file it was made from if there is one."
    ),
    "decoded-copy": lambda about: (
        "This file was decoded from an MP3: the blocks that its encoder cut the sound into are still there. What it left out is "
        "gone, and less of the damage can be mended. Use the recording it was made from if there is one."
    ),
    "over-full-scale": lambda about: (
        f"The highest peak is {about.number('true_peak_dbtp'):.1f} dBTP, above full scale, as floating-point files can "
        "hold. Nothing is cut off: the record's gain brings it down."
    ),
    "lost-sound": _lost,
    "needle-lifted": lambda about: (
        f"The needle was lifted at {about.start} and lowered again {about.number('lifted_s'):.1f} s later. "
        "Take the side again if you want it whole."
    ),
    "pieces-meet": _pieces_meet,
    "cut-short": lambda about: (
        f"The recording was interrupted at {about.start}; all that was written is kept. "
        "Take the side again if it is not whole."
    ),
    "sleeve-line": lambda about: (
        f"Line {about.whole('line_number')} of the sleeve text {'is odd' if about.says('is_used') else 'was not used'} "
        f"({about.word('reason')}): {about.word('line')}"
    ),
    "take-chosen": lambda about: (
        f"Side {about.word('side')}: {about.word('newest')} is newer but much shorter ({about.length('newest_s')}) than "
        f"{about.word('take')} ({about.length('take_s')}), which is used. Choose the other if that is wrong."
        if about.has("newest")
        else f"Side {about.word('side')} is on {', '.join(about.words('others'))} as well; the newest, {about.word('take')}, "
        "is used. Choose another if that is wrong."
    ),
    "take-not-there": lambda about: (
        f"record.toml asks for take {about.whole('wanted')} of side {about.word('side')}, which is not there; "
        f"{about.word('take')} is used."
    ),
}
MANY: Mapping[str, SayAll] = {"lost-sound": _lost_at_places, "cut-short": _cut_short_at_places}
