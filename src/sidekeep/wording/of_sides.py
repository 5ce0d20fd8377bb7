"""Findings about needle, sides, tracks, titles and marks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sidekeep.units import clock_text
from sidekeep.wording.about import About, Say, SayAll, count, joined, listed, rpm_text


def _side(about: About) -> str:
    return f"Side {about.word('side')}"


def _how(about: About) -> str:
    return "running on from the track before" if about.word("boundary") == "segue" else "after a pause"


def _sure(about: About) -> str:
    return f"{round(100 * about.number('confidence'))} %"


def _track(about: About) -> str:
    return f"{about.word('side')}{about.whole('track')}"


def _unsure(about: About) -> str:
    return (
        f"{_track(about)} is taken to start at {about.length('at_s', 1)}, {_how(about)}; that is {_sure(about)} sure. "
        "Listen to it once."
    )


def _all_unsure(all_of: Sequence[About]) -> str:
    each = [f"{_track(about)} at {about.length('at_s', 1)} ({_sure(about)})" for about in all_of]
    return f"The starts of {count(len(each), 'track')} are not quite sure: {listed(each)}. Listen to each of them once."


def _gap(about: About) -> str:
    return f"in {_track(about)} at {about.length('at_s', 1)}"


def _unused_gaps(all_of: Sequence[About]) -> str:
    gaps, clear = ("a gap was", "It is") if len(all_of) == 1 else (f"{len(all_of)} gaps were", "They are")
    return (
        f"{_side(all_of[0])}: {gaps} not used, {listed([_gap(about) for about in all_of])}. {clear} as clear as a gap between "
        "two tracks, and no printed time says that the track goes on. Is a title missing from the sleeve text? Then add it; "
        "if it is a rest in the music, leave it."
    )


def _printed(about: About) -> str:
    return (
        f"{_track(about)} lasts {about.length('heard_s')}, the sleeve says {about.length('printed_s')}. The gaps around it "
        "are clear: the sleeve may have a misprint or belong to another edition. Listen once: a needle that jumps or stays "
        "in one turn makes a track shorter or longer, too."
    )


def _all_printed(all_of: Sequence[About]) -> str:
    each = [
        f"{_track(about)} lasts {about.length('heard_s')}, not {about.length('printed_s')}"
        for about in all_of
    ]
    return (
        f"{count(len(each), 'printed time')} cannot be right: {listed(each)}. The gaps around them are clear: the sleeve may "
        "have misprints or belong to another edition. Listen once: a needle that jumps or stays in one turn makes a track "
        "shorter or longer, too."
    )


def _all_missing(all_of: Sequence[About]) -> str:
    return f"Sides {joined([about.word('side') for about in all_of])} were not found in this recording."


def _all_unused(all_of: Sequence[About]) -> str:
    spans = [f"from {about.start} to {about.stop}" for about in all_of]
    return f"The needle was also down {joined(spans)}; that is not used (broken-off or repeated takes?)."


def _wrong_speed(about: About) -> str:
    found = about.whole("found")
    which = f"all {found} tracks last" if found > 1 else "its track lasts"
    cut, played = (rpm_text(about.number(name)) for name in ("cut_rpm", "played_rpm"))
    ratio = about.number("cut_rpm") / about.number("played_rpm")
    return (
        f"{_side(about)}: {which} about {ratio:.2f} times as long as the sleeve says, as a record for {cut} rpm does when it is "
        f"played at {played}. Listen to its pitch; if that is so, record the side again at {cut} rpm."
    )


def _speed_off(about: About) -> str:
    off = about.number("off_percent")
    return (
        f"The turntable ran {abs(off):.1f} % too {'fast' if off > 0.0 else 'slow'}: {about.number('rpm'):.2f} turns a minute, "
        f"not {rpm_text(about.number('nominal_rpm'))}. The music is as much too {'high' if off > 0.0 else 'low'}. If that "
        "was not meant, set its speed, with a strobe disc if you have one, and record the side again."
    )


def _order(about: About) -> str:
    pairs = ", ".join(
        f"track {number} is as long as {title!r}"
        for number, title in zip(about.words("tracks"), about.words("titles"), strict=True)
    )
    return (
        f"{_side(about)}: the tracks seem to be pressed in another order than printed: {pairs}. They are called "
        f"{_names(about)} until you choose between the order heard and the order printed."
    )


def _names(about: About) -> str:
    names = about.words("called")
    return repr(names[0]) if len(names) == 1 else f"{names[0]!r} and so on"


def _counted(about: About) -> str:
    printed, found = about.whole("printed"), about.whole("found")
    if printed == found:
        return ""
    return f"the sleeve lists {count(printed, 'track')}, {found} {'was' if found == 1 else 'were'} found. "


def _absent(about: About) -> str:
    titles = about.words("absent")
    return f"Not found: {', '.join(repr(title) for title in titles)}. " if titles else ""


def _by_order(about: About) -> str:
    tracks = about.words("tracks")
    if len(tracks) == about.whole("found"):
        return (
            f"{_side(about)}: the sleeve prints no times, so the titles follow its order; that it lists as many tracks as were "
            "heard is all that speaks for them."
        )
    return (
        f"{_side(about)}: the sleeve prints no times for tracks {joined(tracks)}; which of their titles is whose follows its "
        "order alone."
    )


def _all_by_order(all_of: Sequence[About]) -> str:
    sides = joined([about.word("side") for about in all_of])
    return (
        f"Sides {sides}: the sleeve prints no times, or only some, so the titles of tracks without one follow its order; that it "
        "lists as many tracks as were heard is all that speaks for them."
    )


def _untitled(about: About) -> str:
    tracks = about.words("tracks")
    which = f"track {tracks[0]}" if len(tracks) == 1 else f"tracks {joined(tracks)}"
    text = (
        f"{_side(about)}: {_counted(about)}{_absent(about)}Which title belongs to {which} is not sure; "
        f"{'it is' if len(tracks) == 1 else 'they are'} called {_names(about)}. Listen, then write the "
        f"{'title' if len(tracks) == 1 else 'titles'} in"
    )
    return (
        f"{text}, or take the sleeve's order."
        if about.whole("printed") == about.whole("found")
        else f"{text}."
    )


def _no_needle_down(about: About) -> str:
    lost = (
        " The music starts at once: its first moments may be missing." if about.says("is_music_cut") else ""
    )
    return f"{_side(about)}: the recording starts with the needle already in the groove.{lost}"


def _no_needle_up(about: About) -> str:
    lost = (
        " The music goes on to the end: its last moments may be missing."
        if about.says("is_music_cut")
        else ""
    )
    return f"{_side(about)}: the recording ends before the needle is lifted.{lost}"


_FREE_THE_NEEDLE = (
    "Clean the record there and take the side again. If it happens again, see that the turntable stands level, that tracking "
    "force and anti-skating are within the range that the maker of the cartridge gives, and that the stylus is not worn."
)


def _again(about: About) -> str:
    turns, back = about.whole("turns"), about.whole("back_turns")
    passage = "one turn" if back == 1 else seconds_again(about.number("period_s"), back)
    if about.says("to_the_end") and (turns > 1 or back == 1):
        kept = "stuck in one turn" if back == 1 else f"jumped back again and again over the same {passage}"
        return f"at {about.start} the needle {kept}, until it was lifted"
    if turns == 1:
        return f"at {about.start} the needle jumped back, and {passage} {'was' if back == 1 else 'were'} heard twice"
    kept = "stuck: one turn was" if back == 1 else f"jumped back again and again: {passage} were"
    return f"at {about.start} the needle {kept} heard {turns} times more, until {about.stop}"


def seconds_again(period_s: float, back_turns: int) -> str:
    """``5.4 s (3 turns)``: what a needle that jumps back plays again; without the turns where they are not known (0)."""
    return f"{period_s:.1f} s ({back_turns} turns)" if back_turns else f"{period_s:.1f} s"


def _stuck(about: About) -> str:
    return f"{_side_first(about)}{_again(about)}. {_FREE_THE_NEEDLE}"


def _all_stuck(all_of: Sequence[About]) -> str:
    each = listed([_again(about) for about in all_of], "; ")
    return f"{_side_first(all_of[0])}{each}. {_FREE_THE_NEEDLE}"


def stuck_now(at_s: float, turns: int, passage: str, *, goes_on: bool) -> str:
    """What is said while the side is recorded. ``passage``: what is heard again, empty for one turn."""
    at = clock_text(at_s)
    if goes_on:
        stuck = (
            f"The needle has jumped back again and again since {at} and plays the same {passage}."
            if passage
            else f"The needle has been stuck since {at} and plays one turn again and again."
        )
        return (
            f"{stuck} Turn the volume down, lift the needle, and lower it a little further in; or clean the record and take the "
            "side again."
        )
    if turns == 1:
        twice = f"{passage} were heard twice" if passage else "one turn was heard twice"
        return f"The needle jumped back at {at}: {twice}. The recording goes on."
    more = f"{passage} were heard" if passage else "one turn was heard"
    return f"The needle was stuck at {at}: {more} {turns} times more. The recording goes on."


def _side_first(about: About) -> str:
    return f"{_side(about)}: " if about.word("side") else "Needle: "


def _same_music(about: About) -> str:
    files = f"{about.word('file')} and {about.word('other')}"
    if not about.finding.facts["is_sure"]:
        return (
            f"{files} may hold the same music: they get louder and softer alike, but so does music that is so steady. "
            "Listen whether one side was played twice."
        )
    return (
        f"{files} seem to hold the same music, as when one side was played twice. "
        "No titles were given to either. Listen: if one of them is not the side it was given as, record that side; if both "
        "are right, take the sleeve's order."
    )


WORDS: Mapping[str, Say] = {
    "needle-stuck": _stuck,
    "marks-carried": lambda about: (
        f"{_side(about)} was cut by hand on an earlier take; the marks were found again on {about.word('take')} by its sound. "
        "Look at them once; the earlier cuts are still in cuts.toml."
    ),
    "marks-not-carried": lambda about: (
        f"{_side(about)} was cut by hand on an earlier take, but those places could not be found for sure on "
        f"{about.word('take')}: this take has new cuts. The earlier ones are still in cuts.toml."
    ),
    "no-needle-down": _no_needle_down,
    "no-needle-up": _no_needle_up,
    "sides-joined": lambda about: (
        f"{_side(about)}: the groove noise changes at {about.start} though the needle was not lifted; another side is taken "
        "to begin there."
    ),
    "locked-groove": lambda about: (
        f"{_side(about)}: the needle reached the locked groove, which ticks once per turn "
        f"({about.number('period_s'):.1f} s). It is left out."  # it is known to a hop of 23 ms: more digits would claim too much
    ),
    "unused-play": lambda about: (
        f"The needle was also down from {about.start} to {about.stop}; that is not used (a broken-off or repeated take?)."
    ),
    "side-missing": lambda about: f"{_side(about)} was not found in this recording.",
    "track-count": lambda about: (
        f"{_side(about)}: {_counted(about)}{_absent(about)}Check the marks and the titles."
    ),
    "titles-by-order": _by_order,
    "sides-unbroken": lambda about: (
        f"Sides {joined(about.words('sides'))} were taken to be in this recording one after the other, side "
        f"{about.words('sides')[-1]} from {about.start} on, though no lift of the needle was heard between them. If it holds "
        "one side only, name that side."
    ),
    "wrong-speed": _wrong_speed,
    "speed-off": _speed_off,
    "untitled-track": _untitled,
    "track-order": _order,
    "other-side": lambda about: (
        f"{_side(about)}: going by the lengths of the tracks and the times the sleeve prints for both sides, this seems to be "
        f"side {about.word('likely_side')}. No titles were given. If it is side {about.word('likely_side')}, say so or swap "
        f"the sides of the record; if it is side {about.word('side')} after all, take the titles as printed. If it "
        "is neither, look whether this is the sleeve of this record."
    ),
    "named-otherwise": lambda about: (
        f"By its name {about.word('file')} is side {about.word('named')}, but it was taken as side {about.word('side')}. "
        f"If it is side {about.word('named')}, name the sides; where the sleeve text does not list that side, add it there."
    ),
    "order-believed": lambda about: (
        f"That {about.word('file')} is side {about.word('side')} is known from the order of the files alone: its name does not "
        f"say so, and the lengths printed for side {about.word('other')} are not other ones. Listen to its beginning; if it is "
        f"side {about.word('other')}, give the files in the other order."
    ),
    "same-sound": lambda about: (
        f"{about.word('file')} and {about.word('other')} hold the same recording, so one side is missing and one of the two "
        "is not the side it was given as. Give every side its own recording."
    ),
    "same-music": _same_music,
    "unsure-start": _unsure,
    "gap-unused": lambda about: _unused_gaps([about]),
    "printed-time": _printed,
}
MANY: Mapping[str, SayAll] = {
    "needle-stuck": _all_stuck,
    "unsure-start": _all_unsure,
    "gap-unused": _unused_gaps,
    "printed-time": _all_printed,
    "titles-by-order": _all_by_order,
    "side-missing": _all_missing,
    "unused-play": _all_unused,
}
