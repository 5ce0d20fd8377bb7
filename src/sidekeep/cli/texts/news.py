"""The words for news on a terminal: one sentence each, what happened and what to do."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sidekeep.model.news import News
from sidekeep.units import clock_text


def news_text(news: News) -> str:
    """One sentence. A code without words of its own is said with its facts."""
    words = _WORDS.get(news.code)
    if words is None:
        facts = ", ".join(f"{name} {value}" for name, value in news.facts.items())
        return f"{news.code}: {facts}" if facts else news.code
    if isinstance(words, str):
        return words.format_map(_Facts(news.facts, news.side, news.take))
    return words(_Facts(news.facts, news.side, news.take))


class _Facts(dict[str, Any]):
    """Facts, side and take by name; a fact that is missing reads as empty."""

    def __init__(self, facts: Mapping[str, Any], side: str, take: str) -> None:
        super().__init__(facts)
        self.setdefault("side", side)
        self.setdefault("take", take)

    def __missing__(self, key: str) -> Any:
        return ""

    def time(self, name: str) -> str:
        """A length in seconds as a clock shows it."""
        value = self[name]
        return clock_text(float(value)) if isinstance(value, int | float) else "-"


def _armed(facts: _Facts) -> str:
    printed = f" ({facts.time('printed_s')} on the sleeve)" if facts.get("printed_s") else ""
    press = "" if facts["by_needle"] else "press s, "
    return f"armed for side {facts['side']}{printed}: turn the volume down, {press}then lower the needle"


def _flip(facts: _Facts) -> str:
    turn = "flip the record" if facts["turned"] else "put its disc on"
    press = "" if facts["by_needle"] else "press s, then "
    return f"side {facts['side']}: turn the volume down, {turn}, clean it, {press}lower the needle when ready"


def _begun(facts: _Facts) -> str:
    if facts["joined"]:
        return f"recording side {facts['side']}: the needle was down already, so its beginning may be missing"
    return f"recording side {facts['side']}"


def _false_start(facts: _Facts) -> str:
    why = {
        "lifted": f"lifted after {facts.time('length_s')}",
        "switched-on": "that was the chain being switched on, not the needle",
        "again": "put aside, to be taken again",
        "discard": "put aside",
    }.get(str(facts["reason"]), str(facts["reason"]))
    kept = " (kept in the bin; press k to keep it as the side)" if facts["reason"] == "lifted" else ""
    return f"side {facts['side']}: {why}; this is no side{kept}"


def _looks_like(facts: _Facts) -> str:
    return (
        f"{facts.time('length_s')} of music: the sleeve says {facts.time('printed_s')} for side {facts['side']} and "
        f"{facts.time('other_printed_s')} for side {facts['other']}. If this was side {facts['other']}, press x"
    )


def _answer(facts: _Facts) -> str:
    if facts["doubt"] == "run-out":
        return f"waiting up to {facts['minutes']:.0f} minutes for the lift, in case music comes back; q ends the evening"
    return f"waiting {facts['minutes']:.0f} minutes for a key: x: it was the other side, a: take it again, q: leave it as it is"


def _input_volume(facts: _Facts) -> str:
    if facts["in_hardware"]:
        return f"the input's own gain control stands at {facts['percent']} %"
    return (
        f"the system turns this input to {facts['percent']} %: not one sample arrives as it is. "
        "Set it to 100 % in the system's sound settings"
    )


def _not_opened(facts: _Facts) -> str:
    if facts["why"] == "library-missing":
        return (
            "recording is not available: the PortAudio library is missing "
            "(Debian, Ubuntu: apt install libportaudio2 libasound2-plugins)"
        )
    return f"the sound input cannot be opened ({facts['reason']}); 'sidekeep inputs' shows what there is"


def _stopped(facts: _Facts) -> str:
    return "stopped" if facts["reason"] == "key" else f"stopped ({facts['reason']})"


_WISHES = {
    "begin": "beginning",
    "again": "putting the take aside",
    "discard": "putting the take aside",
    "keep": "bringing the take back",
    "side-is": "naming the other side",
    "first": "waiting for another side",
}
"""What could not be done, by the act that wanted it."""

_WORDS: dict[str, str | Callable[[_Facts], str]] = {
    "armed": _armed,
    "begun": _begun,
    "run-out": "the run-out: the side ends here unless music comes back",
    "music-again": "music again: the side goes on",
    "still": "half a minute of groove without music; recording goes on until the needle is lifted",
    "taken": lambda facts: f"side {facts['side']} is taken: {facts.time('length_s')}",
    "fits": lambda facts: (
        f"its {facts.time('length_s')} of music fits the {facts.time('printed_s')} on the sleeve"
    ),
    "short": lambda facts: (
        f"only {facts.time('length_s')} of music; the sleeve says {facts.time('printed_s')} for side {facts['side']}"
    ),
    "long": lambda facts: (
        f"{facts.time('length_s')} of music is more than the {facts.time('printed_s')} on the sleeve for side "
        f"{facts['side']}"
    ),
    "looks-like": _looks_like,
    "beginning-aside": lambda facts: (
        f"only {facts.time('length_s')} of music: the {facts.time('aside_s')} before that lie in the bin ({facts['aside']}), put "
        f"there when the needle was lifted. Press a to take side {facts['side']} again, in one go, or put the two "
        "together afterwards with 'sidekeep combine --pieces'"
    ),
    "same-as": "this is the music of side {other} once more: was the record flipped? Press a to take side {side} again",
    "side-is": "taken for side {side} now, not {was}",
    "false-start": _false_start,
    "asked-twice": "a take was put aside just now; press the key once more to put side {side} aside too",
    "not-meant": lambda facts: (
        f"{facts['take']} has begun in the meantime and is still being recorded; nothing was done to it: ask again if you mean it"
        if facts["take"]
        else "that take has ended already; nothing was done"
    ),
    "not-done": lambda facts: f"{_WISHES.get(str(facts['do']), 'that')} did not work: {facts['reason']}",
    "flip": _flip,
    "answer": _answer,
    "done": "done",
    "stopped": _stopped,
    "kept": lambda facts: f"kept as {facts['take']}: {facts.time('length_s')}",
    "lowered-again": lambda facts: (
        f"the needle was up for {facts['lifted_s']:.0f} s and side {facts['side']} goes on in the same take; "
        "press a to take it again"
    ),
    "goes-on": "side {side} goes on as another take: {take}",
    "pieces-meet": lambda facts: (
        f"{facts['first']} and {facts['second']} were put together here"
        + (": what was played between them is missing" if facts["how"] == "apart" else "; listen there")
    ),
    "loss": lambda facts: (
        f"{float(facts['lost_s'] or 0):.3f} s of sound was lost"
        + (f" a while ago (known to within {facts['within_s']} s)" if facts["within_s"] else "")
        + "; take this side again"
    ),
    "steady-loss": "sound is being lost all the time ({ppm} parts in a million): usually because "
    "another program keeps the machine busy",
    "overflow": "the sound input ran over: something may be missing here",
    "stall": "no sound has come for {silent_s} s; waiting for it, the take stays open",
    "resumed": "sound again after {silent_s} s",
    "input": "listening to {name}",
    "input-gone": "the sound input is gone: check its plug, its power and the sound server "
    "(volume down before you touch a plug). What was recorded is kept",
    "input-moved": "the system switched to another input ({other}); recording was ended there",
    "input-back": "{name} is back",
    "input-missing": "{name} is not there: connect it and switch it on; nothing else is taken in its place",
    "input-muted": "this input is muted in the system's sound settings: nothing can be heard",
    "input-volume": _input_volume,
    "input-mono": "one channel only: a stereo record needs two (is this a microphone input?)",
    "input-channels": "{channels} channels: the first two are recorded, so that is where the turntable belongs",
    "input-mixed": "its channels are called {names}: a sound server may mix them or give silence then; "
    "choose a plain stereo profile for it in the system's sound settings",
    "input-bits": "{bits} bits: set peaks near -6 dBFS, there is less headroom to spare; a 24-bit input is better",
    "input-rate": "{rate_hz} Hz is below what music needs; 44100 Hz or more is usual",
    "loopback": "this is what the machine plays itself, not a turntable",
    "not-opened": _not_opened,
    "clipped": "clipped: turn the input down and take this side again",
    "no-room": "room for {free_min} min on the disk and {needed_min} min needed: make room before you lower the needle",
    "disk-low": "the disk is nearly full ({free_min} min left)",
    "not-written": "{place} cannot be written: {reason}",
    "next-place": "recording goes on in {place}",
    "brought-home": "the take was brought back into the record's folder: {place}",
    "left-at": "the take stays where it had to be written, {place}: make room, and the next 'take' brings it home",
    "not-closed": "{place} could not be closed ({reason}); it is kept, and the next start closes it",
    "cap": "after {hours} hours without a lift a new take begins",
    "repaired": "an interrupted take of side {side} was repaired and kept: {take}",
    "unexpected-end": "the recording ended unexpectedly; everything that was written is here",
    "stylus-due": "{name} has played {hours} h: have its tip looked at (400 to 800 h are usual)",
    # The gauge's advice
    "hum": "hum at {hum_hz} Hz, {hum_dbfs} dBFS: turn the volume down, connect the turntable's own earth wire to "
    "the phono stage, keep cables off mains leads; never touch the mains safety earth",
    "lower-needle": "turn the volume down, lower the needle and play the loudest passage of the record",
    "channel-dead": "one channel is (nearly) silent: turn the volume down, then check plugs, "
    "cartridge pins and the balance control",
    "out-of-phase": "the channels are out of phase: turn the volume down, then swap the two wires of one cartridge channel",
    "turn-down": "highest so far {highest_dbfs} dBFS: turn down {turn_down_db:.0f} dB",
    "listening": "listening; highest so far {highest_dbfs} dBFS",
    "turn-up": "play the loudest track: highest so far {highest_dbfs} dBFS, turn up {turn_up_db:.0f} dB",
    "may-be-hot": "highest so far {highest_dbfs} dBFS, but the side may reach {forecast_dbfs} dBFS: turn down 3 dB",
    "level-right": "the level is right: highest so far {highest_dbfs} dBFS",
}


def advice_text(news: News) -> str:
    """The gauge's advice; clipping is worded for a needle that can still be set back."""
    if news.code == "clipped":
        return "clipped: turn the input down by at least 6 dB and play the passage again; clipping stays"
    return news_text(news)
