"""Findings about two takes of one side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sidekeep.wording.about import (
    SHOWN_PLACES,
    About,
    Say,
    SayAll,
    capital,
    count,
    joined,
    kilohertz,
    listed,
    rpm_text,
    times,
)


def _marks(about: About) -> str:
    scratches, crossings, singles = about.whole("scratches"), about.whole("crossings"), about.whole("singles")
    parts = []
    if scratches:
        one = "a scratch" if scratches == 1 else f"{scratches} scratches"
        parts.append(f"{one} (crossed {times(crossings)}, turn after turn)")
    if singles:
        parts.append(count(singles, "single tick"))
    return f"{joined(parts)}; the loudest at {about.start}"


def _gone(about: About) -> str:
    if not about.has("both"):
        return f"Gone: {_marks(about)} (dust that was there before)."
    both = about.whole("both")
    kept = f"Only {both} are" if both > 1 else "Only 1 is" if both else "None is"
    return (
        f"Gone: {_marks(about)}. {kept} on both takes: a record that was washed very well looks so, and another, cleaner copy "
        "too. So few marks cannot tell which."
    )


def _amount(change_db: float) -> str:
    return f"{abs(change_db):.1f} dB {'more' if change_db > 0 else 'less'}"


def _by(about: About) -> str:
    return f"{_amount(about.number('change_db'))} than before"


def _changes(all_of: Sequence[About], form: str) -> str:
    """``left -1.2 dB at 10 kHz and right -0.9 dB at 8 kHz``; mono names no side."""
    names = {"L": "left ", "R": "right ", "both": ""}
    return joined(
        [
            f"{names[about.finding.channel]}{about.number('change_db'):{form}} dB at {kilohertz(about.number('hz'))}"
            for about in sorted(all_of, key=lambda about: about.finding.channel)
        ]
    )


def _most(about: About) -> str:
    """Where on the side it changed most."""
    if not about.has("most_db"):
        return ""
    return f", most {_where(about)} ({about.number('most_db'):+.1f} dB)"


def _where(about: About) -> str:
    """``on the left of the inner third``; mono names no side."""
    side = {"L": "on the left of ", "R": "on the right of "}.get(about.word("most_channel"), "in ")
    return f"{side}the {about.word('most_part')} third"


def _rougher_part(about: About) -> str:
    return (
        f"Surface noise {_where(about)}: {_amount(about.number('most_db'))} than before; the side as a whole has not changed by "
        "as much as could be told."
    )


def _hiss(about: About) -> str:
    """How much of it is the chain, by its noise with the needle up."""
    how = about.word("hiss") if about.has("hiss") else ""
    if how == "none":
        return " The hiss with the needle up is too little, or too much as it was, to account for it."
    if how == "part":
        return (
            " Part of it is hiss of the chain, which is there with the needle up; without that the groove has "
            f"{_amount(about.number('groove_db'))}."
        )
    if how == "unknown":
        on = about.word("unknown_on")
        which = "neither take holds" if on == "both" else f"the {on} take does not hold"
        return f" Whether that is the disc or the phono stage cannot be told: {which} a moment with the needle up."
    return ""


def _noise_chain(about: About) -> str:
    noise = f"Surface noise: {_by(about)}{_most(about)}."
    if about.has("hiss") and about.word("hiss") == "all":
        return (
            f"{noise} That is hiss of the chain (phono stage, wires, input), not this disc: with the needle up there is "
            f"{_amount(about.number('hiss_db'))} of it{_backed(about, 'changed')}."
        )
    return f"{noise} That is stylus or chain, not this disc{_backed(about, 'changed')}."


def _backed(about: About, what: str) -> str:
    """What other records of the same two evenings say."""
    if not about.has("others"):
        return ""
    alike, others = about.whole("alike"), about.whole("others")
    if others == 1:
        return f"; the one other record of these evenings {what if alike else f'has not {what}'} the same way"
    return f"; {alike or 'none'} of {others} other records of these evenings {what} the same way"


def _worn(all_of: Sequence[About]) -> str:
    what = f"Treble lost in the inner third against the rest of the side: {_changes(all_of, '+.1f')}."
    if all_of[0].has("others"):
        return f"{what} Wear of the groove{_backed(all_of[0], 'changed')}."
    return f"{what} Wear of the groove (it shows near the label first), or a stylus that no longer reads short waves."


def _stylus(all_of: Sequence[About]) -> str:
    return (
        f"Treble changed in the inner third against the rest of the side: {_changes(all_of, '+.1f')}. That is the stylus, worn "
        f"or dirty, or a newer one, not this disc{_backed(all_of[0], 'changed')}."
    )


def _inner_gain(all_of: Sequence[About]) -> str:
    return (
        f"Treble gained in the inner third against the rest of the side: {_changes(all_of, '+.1f')}"
        f"{_backed(all_of[0], 'changed')}."
    )


def _distortion(all_of: Sequence[About]) -> str:
    names = {"L": "left ", "R": "right ", "both": ""}
    has_more = {"new": ", more of it on the new take", "old": ", more of it on the old take"}
    shares = joined(
        [
            f"{names[about.finding.channel]}{100 * about.number('share'):.0f} % ({100 * about.number('outer_share'):.0f} % "
            f"outside{has_more.get(about.word('more_on'), '')})"
            for about in sorted(all_of, key=lambda about: about.finding.channel)
        ]
    )
    return (
        f"In loud places of the inner third a share of the sound is on one take only: {shares}. That is distortion near the end "
        "of the side: a worn or dirty stylus, the way it is set, or a damaged groove"
        f"{_backed(all_of[0], 'changed')}."
    )


def _hum(about: About) -> str:
    where = "" if about.finding.channel == "both" else f", most in {about.channel}"
    return f"Hum (wiring, not the disc): {_by(about)}{where}{_backed(about, 'changed')}."


def _crosstalk(about: About) -> str:
    leak_db, way = -about.number("leak_db"), about.word("way")
    if way == "turned":
        return (
            f"The cartridge leans otherwise than before: each channel holds some of the other, {leak_db:.0f} dB down, in phase "
            "on one side and in opposite phase on the other. Turn the volume down, then see from the front whether it stands "
            "upright."
        )
    if about.finding.channel == "both":
        who = "The channels leak into each other"
    else:
        who = f"{capital(about.channel)} leaks into the other one"
    if way == "less":
        return f"{who} less than before: what has gone was {leak_db:.0f} dB down. The cartridge stands otherwise, or is another."
    return f"{who} more than before: what was added is {leak_db:.0f} dB down. The cartridge stands otherwise, or is another."


def _treble_chain(all_of: Sequence[About]) -> str:
    return (
        f"Treble changed all over the side, at the edge as much as near the label: {_changes(all_of, '+.1f')}. That is stylus, "
        f"cartridge or chain, not the disc{_backed(all_of[0], 'changed')}."
    )


def _unchanged(about: About) -> str:
    said = []
    if about.has("treble_db"):
        said.append(
            f"treble (a loss of {about.number('treble_db'):.1f} dB near the label would have been seen)"
        )
    if about.has("groove_db"):
        said.append(f"surface noise (a change of {about.number('groove_db'):.1f} dB would have been seen)")
    if about.has("distortion"):
        said.append(
            f"distortion near the end of the side ({100 * about.number('distortion'):.0f} % would have been seen)"
        )
    if about.has("persisting"):
        perhaps = about.whole("perhaps") if about.has("perhaps") else 0
        faint = f"; {perhaps} too faint to be sure of" if perhaps else ""
        said.append(f"marks ({about.whole('persisting')} on both takes, none new{faint})")
    return f"No change in {'; '.join(said)}."


def _lossy(all_of: Sequence[About]) -> str:
    names = [about.word("take") for about in all_of]
    return (
        f"{joined(names)} {'is a lossy file' if len(names) == 1 else 'are lossy files'}: treble, surface noise and distortion "
        "were not compared, nor marks that are not on it, because what the format left out would look like a change."
    )


def _lacking(about: About) -> str:
    length_s = about.number("length_s")
    length = f"{length_s:.1f} s" if length_s >= 1.0 else f"{1000 * length_s:.0f} ms"
    turns = about.whole("turns") if about.has("turns") else 0
    long = f" ({count(turns, 'turn')} of the disc)" if turns else ""
    return f"{length}{long} of the {about.word('lacks')} take near {about.start}"


def _jumps(all_of: Sequence[About]) -> str:
    shown = [_lacking(about) for about in all_of[:SHOWN_PLACES]]
    more = len(all_of) - len(shown)
    turned = [about for about in all_of if about.has("turns") and about.whole("turns")]
    return (
        f"{'Moments are' if len(all_of) > 1 else 'A moment is'} missing: about "
        f"{joined([*shown, *([f'{more} more'] if more else [])])}. "
        f"{_by_whom(turned[0]) if len(turned) == len(all_of) else _LOST}; the moments around are not compared."
    )


_LOST = "Frames were lost while recording, the take was cut, or the needle skipped"


def _by_whom(about: About) -> str:
    """Whole turns are lost, or heard twice, by a needle only."""
    lacks, other = ("old", "new") if about.word("lacks") == "old" else ("new", "old")
    return f"Whole turns: the needle jumped forward over them on the {lacks} take, or back on the {other} one"


def _cut(about: About) -> str:
    turns = about.whole("turns") if about.has("turns") else 0
    why = (
        f"That is as long as {count(turns, 'turn')} of the disc. {_by_whom(about)}"
        if turns
        else "The take was cut, or the needle jumped"
    )
    return (
        f"About {about.number('length_s'):.1f} s of the music is missing from the {about.word('lacks')} take near "
        f"{about.length('at_s')}, or the other one has that much more. {why}. Only what comes {about.word('compared')} that "
        "place was compared."
    )


def _other_recording(about: About) -> str:
    share = round(100 * about.number("share"))
    if not about.says("is_sure"):
        return (
            "It is not sure whether these are two takes of one side: where they lie on each other the same notes sound, but only "
            f"{share} % of the places compared line up; 60 % would be needed. Much may be missing from one of them."
        )
    if share >= 60:
        return (
            "These are not two takes of one side: their beats line up, but other notes sound on them. Another side, or another "
            "piece of the same tempo."
        )
    return (
        f"These are not two takes of one side: {share} % of the places compared line "
        "up; 60 % would be needed. Another side, another pressing, or too little music."
    )


WORDS: Mapping[str, Say] = {
    "other-recording": _other_recording,
    "other-disc": lambda about: (
        f"Possibly another disc: of the old take's marks {about.whole('gone')} are not on the new one and {about.whole('both')} "
        f"are, and {about.whole('new')} are new. A disc keeps its scratches and most of its dust. If these are two copies of "
        "one record, what differs is no wear; if it is one disc, it was "
        f"{'washed very well' if about.says('cleaner') else 'cleaned and has gathered new dust since'}."
    ),
    "one-playing": lambda about: (
        "These two are one and the same playing: a recording and its copy. Whatever differs, the disc has no part in it."
    ),
    "part-only": lambda about: (
        f"Only {round(100 * about.number('share'))} % of the longer take is in both; the rest was not compared."
    ),
    "take-cut": _cut,
    "take-jump": lambda about: _jumps([about]),
    "compare-speeds": lambda about: (
        f"The old take was played at {rpm_text(about.number('old_rpm'))} rpm and the new one at "
        f"{rpm_text(about.number('new_rpm'))}: one of them at the wrong speed. Their marks were compared; treble, level and "
        "noise were not, since the phono stage's equalisation then falls at other frequencies. Look at the label, and play it "
        "again at the right speed."
    ),
    "compare-clipped": lambda about: (
        f"The {about.word('take')} take is clipped ({count(about.whole('frames'), 'frame')}): the cut-off peaks look like "
        "distortion that has come or gone. Trust the quieter places only."
    ),
    "compare-band": lambda about: (
        f"The {about.word('take')} take has no sound above {kilohertz(about.number('edge_hz'))}: it went through a lossy format "
        "or a lower rate. What was left out looks like lost treble and noise."
    ),
    "compare-lossy": lambda about: _lossy([about]),
    "compare-mono": lambda about: (
        "One of the takes is mono: both were compared as mono, so left and right cannot be told apart."
    ),
    "compare-alike": lambda about: (
        f"Left and right hold one sound on the {about.word('take')} take and not on the other one: a mono switch was on, or one "
        "channel went to both inputs. Both takes were compared as mono, so left and right cannot be told apart."
    ),
    "compare-silent": lambda about: f"The {about.word('take')} take is silent: there is nothing to compare.",
    "compare-short": lambda about: (
        f"The shorter take lasts {about.number('length_s'):.1f} s: two takes can be compared from "
        f"{about.number('least_s'):.0f} s of music on."
    ),
    "compare-dead": lambda about: (
        f"There is nothing in {about.channel} of the {about.word('take')} take; the other one was compared. Turn the volume "
        "down, then look at the plugs and the wires of the cartridge."
    ),
    "channel-inverted": lambda about: (
        f"{capital(about.channel)} has the opposite polarity on the new take and the other one does not: two wires of the "
        "cartridge or of a plug were swapped on one of the evenings. Turn the volume down, then look at them. It was put "
        "right here."
    ),
    "polarity": lambda about: (
        "The new take has the opposite polarity. That is harmless; it was put right here."
    ),
    "channels-swapped": lambda about: (
        "Left and right are swapped in the new take. Turn the volume down, then swap the two plugs."
    ),
    "new-marks": lambda about: f"New: {_marks(about)}. Clean the record and play it again to see what stays.",
    "gone-marks": _gone,
    "treble-worn": lambda about: _worn([about]),
    "treble-stylus": lambda about: _stylus([about]),
    "treble-inner-gain": lambda about: _inner_gain([about]),
    "treble-chain": lambda about: _treble_chain([about]),
    "groove-noise": lambda about: (
        f"Surface noise: {_by(about)}{_most(about)}{_backed(about, 'changed')}.{_hiss(about)}"
    ),
    "groove-noise-part": _rougher_part,
    "noise-chain": _noise_chain,
    "distortion-inner": lambda about: _distortion([about]),
    "rumble-change": lambda about: f"Rumble (the turntable and what it stands on): {_by(about)}.",
    "hum-change": _hum,
    "level-chain": lambda about: (
        f"The new take is {abs(about.number('change_db')):.1f} dB {'louder' if about.number('change_db') > 0 else 'quieter'}: "
        f"gain or cartridge, not the disc{_backed(about, 'moved')}."
    ),
    "balance-chain": lambda about: (
        f"The balance has moved {abs(about.number('change_db')):.1f} dB to the "
        f"{'left' if about.number('change_db') > 0 else 'right'}. Turn the volume down, then look at the cartridge, its wires "
        "and the plugs."
    ),
    "speed-chain": lambda about: (
        f"The turntable ran {100.0 * abs(1.0 / about.number('ratio') - 1.0):.2f} % "
        f"{'slower' if about.number('ratio') > 1.0 else 'faster'} for the new take."
    ),
    "crosstalk-chain": _crosstalk,
    "compare-others": lambda about: (
        f"Also taken on both evenings: {listed(about.words('records'))}. Compare them too: what all of them show is stylus or "
        "chain, not this disc."
    ),
    "unchanged": _unchanged,
}
MANY: Mapping[str, SayAll] = {
    "take-jump": _jumps,
    "compare-lossy": _lossy,
    "treble-worn": _worn,
    "treble-stylus": _stylus,
    "treble-inner-gain": _inner_gain,
    "distortion-inner": _distortion,
    "treble-chain": _treble_chain,
}
