"""Findings about level, channels, noise and damage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sidekeep.wording.about import About, Say, SayAll, capital, count, joined, listed, places, times

_LESS_GAIN = (
    "Record the side again with less gain, so that the loudest part peaks near -6 dBFS; what was cut off "
    "can only be guessed."
)
_MAYBE_CLICKS = "So few and so short, they may only be clicks: listen there."
_AGAIN_LOWER = (
    "Something before the converter clipped. Turn down whatever comes before the recording level (a phono stage's gain, "
    "a mixer's input) and record again."
)


def _clipped(all_of: Sequence[About]) -> str:
    how_often = [
        f"{times(about.whole('runs'))} in {about.channel}"
        for about in sorted(all_of, key=lambda about: about.finding.channel)
    ]
    where = sorted({place for about in all_of for place in about.words("worst")}, key=_seconds)
    advice = _LESS_GAIN if any(about.finding.severity == "act" for about in all_of) else _MAYBE_CLICKS
    return f"The input clipped {joined(how_often)}, worst at {listed(where)}. {advice}"


def _seconds(clock: str) -> float:
    total = 0.0
    for part in clock.split(":"):
        total = 60.0 * total + float(part)
    return total


def _clipped_before(all_of: Sequence[About]) -> str:
    peaks = [
        f"of {about.channel} at {about.number('level_dbfs'):.1f} dBFS ({count(about.whole('places'), 'place')})"
        for about in sorted(all_of, key=lambda about: about.finding.channel)
    ]
    return f"The peaks {joined(peaks)} are cut off below full scale. {_AGAIN_LOWER}"


def _too_long(all_of: Sequence[About]) -> str:
    where = places(all_of)
    longest_ms = max(about.number("length_ms") for about in all_of)
    if len(where) == 1:
        return f"Too long to mend at {where[0]}: {longest_ms:.1f} ms of damage, left as it is. Listen there."
    return (
        f"Too long to mend at {count(len(where), 'place')}: {listed(where)}. The longest lasts {longest_ms:.1f} ms. "
        "They are left as they are; listen there."
    )


def _perhaps_music(all_of: Sequence[About]) -> str:
    where = places(all_of)
    if len(where) == 1:
        return f"What was mended at {where[0]} may be music: hear it as it was and mended, and leave it as it was if so."
    return (
        f"What was mended at {count(len(where), 'place')} may be music: {listed(where)}. Hear them as they were and mended, and "
        "leave those as they were that are."
    )


def _left_in_doubt(all_of: Sequence[About]) -> str:
    where = places(all_of)
    if len(where) == 1:
        return (
            f"At {where[0]} there may be a tick or music: it is left as it is. Hear it as it is and mended, and have it mended "
            "if it is a tick."
        )
    return (
        f"{capital(count(len(where), 'place'))} may be ticks or music: {listed(where)}. They are left as they are; hear them as "
        "they are and mended, and have those mended that are ticks."
    )


def _balance(about: About) -> str:
    return (
        f"{capital(about.channel)} is {abs(about.number('balance_db')):.1f} dB louder than the other, taken over the music. "
        "It may be the mix. "
        "If every record leans this way, look at the gain of the two channels, the anti-skating and the cartridge's tilt."
    )


def _level_low(about: About) -> str:
    what = (
        "With 16 bits that leaves the music coarse: record again with more gain, peaks near -6 dBFS."
        if about.says("is_coarse")
        else "With this word length nothing is lost by it; more gain is not needed."
    )
    return f"The highest peak is {about.number('true_peak_dbtp'):.1f} dBTP. {what}"


def choice_text(about: About) -> str:
    """What a choice chooses, of the recipe or for one file."""
    if about.word("repair"):
        parts = [f"the repair {about.word('repair')}"]
    else:
        parts = [f"{about.word('of_kind') or 'repair'}s" if about.word("of_kind") != "crackle" else "crackle"]
    start, stop = about.finding.facts.get("from_frame"), about.finding.facts.get("to_frame")
    if start is not None and stop is not None and int(str(stop)) == int(str(start)) + 1:
        parts.append(f"at frame {start}")
    elif start is not None or stop is not None:
        parts.append(f"between frame {start or 0} and {f'frame {stop}' if stop is not None else 'the end'}")
    if about.has("below_db"):
        parts.append(f"below {about.number('below_db'):g} dB")
    return " ".join(parts)


WORDS: Mapping[str, Say] = {
    "clipped": lambda about: _clipped([about]),
    "clipped-before": lambda about: _clipped_before([about]),
    "level-hot": lambda about: (
        f"The highest peak is {about.number('true_peak_dbtp'):.1f} dBTP: no peak was found cut off, but there was no room to "
        "spare. Aim for -6 dBFS next time."
    ),
    "level-low": _level_low,
    "offset": lambda about: (
        f"{capital(about.channel)} does not rest at zero: it has an offset of {about.number('offset_dbfs'):.0f} dBFS, usually "
        "from the sound card. It takes headroom and can click at the edges of tracks."
    ),
    "dropout": lambda about: (
        f"The sound stops dead at {count(about.whole('places'), 'place')} ({listed(about.words('where'))}), "
        f"{about.number('length_s'):.2f} s in all: usually because the computer lost sound while recording. That cannot be "
        "mended well; close other programs and take the side again."
    ),
    "channel-dead": lambda about: (
        f"Nothing is heard in {about.channel}. Usual causes: a plug half out, a broken lead at the cartridge or a mono input. "
        "Turn the volume down and swap the two plugs at the phono stage: if the silence moves to the other side the fault "
        "is before it. Then record again."
    ),
    "balance": _balance,
    "out-of-phase": lambda about: (
        "The bass of left and right pulls in opposite directions: one channel is wired the wrong way round, and heard in "
        "mono the bass cancels. Turn the volume down and check the two pairs of leads at the cartridge (white and blue left, "
        "red and green right). The take can be put right by inverting one channel."
    ),
    "mono-file": lambda about: (
        "The file has one channel. That is enough for a finished mono copy; a mono record taken in stereo mends better, "
        "because the two groove walls are damaged differently."
    ),
    "dual-mono": lambda about: (
        "Left and right are the same, sample for sample: one channel stored twice. Right for a finished mono copy. If the "
        "record is stereo, the input, phono stage or system was set to mono: change that and record again."
    ),
    "mono-record": lambda about: (
        f"The two channels are nearly alike (their difference is {-about.number('side_to_mid_db'):.0f} dB below their sum): "
        "this sounds like a mono record."
    ),
    "hum": lambda about: (
        f"Mains hum at {about.number('hum_hz'):.2f} Hz, {about.number('hum_dbfs'):.0f} dBFS. Turn the volume down, then fasten "
        "the turntable's own thin earth wire to the phono stage, move cables and phono stage away from power supplies, or try "
        "another input. Never disconnect the mains safety earth to cure hum."
    ),
    "rumble": lambda about: (
        f"Strong rumble below 60 Hz, {about.number('rumble_dbfs'):.0f} dBFS in empty groove. Stand the turntable on something "
        "heavy and level, away from loudspeakers and footsteps; check that arm and cartridge suit each other."
    ),
    "noise-guessed": lambda about: (
        "No groove without music was found, so noise was read from the quietest moments; the true figure may be lower."
    ),
    "too-long-to-mend": lambda about: _too_long([about]),
    "left-in-doubt": lambda about: _left_in_doubt([about]),
    "perhaps-music": lambda about: _perhaps_music([about]),
    "choice-fits-nothing": lambda about: (
        f"{capital(about.word('do'))} {choice_text(about)}: so it was chosen, but this take has no such repair."
    ),
}
MANY: Mapping[str, SayAll] = {
    "clipped": _clipped,
    "clipped-before": _clipped_before,
    "too-long-to-mend": _too_long,
    "left-in-doubt": _left_in_doubt,
    "perhaps-music": _perhaps_music,
}
