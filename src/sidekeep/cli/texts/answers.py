"""How a finding or an error is answered on the command line: options belong here, and to no sentence elsewhere."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.errors import SidekeepError

FINDING_ANSWERS: Mapping[str, str] = {
    "other-side": "--sides says which side it is, sidekeep shelf swap puts it right on the shelf, --titles printed takes the "
    "sleeve's titles",
    "track-order": "--titles heard goes by the lengths, --titles printed by the sleeve",
    "same-music": "--titles printed takes the sleeve's order",
    "untitled-track": "write titles into cuts.toml, or --titles printed takes the sleeve's order",
    "side-missing": "--sides names the sides on a recording",
    "named-otherwise": "--sides names the sides on a recording",
    "order-believed": "--sides names the sides on a recording",
    "take-chosen": "sidekeep shelf use",
    "left-in-doubt": "mend --json names the frames, mend --mend-too or a `choice` in a recipe mends them",
    "perhaps-music": "mend --json names the frames, mend --leave or `leave` in a recipe leaves them",
    "copies-clipped": "--level chooses the level",
}
"""By kind of finding."""
ERROR_ANSWERS: Mapping[str, str] = {
    "exists": "--replace overwrites it",
    "master-exists": "--replace overwrites it",
    "copies-exist": "--replace overwrites them",
    "copies-failed": "--debug shows where",
    "no-takes": "sidekeep take records them, sidekeep adopt brings them in",
    "record-unknown": "sidekeep shelf lists the records",
    "no-music": "sidekeep survey shows what was found",
    "index-damaged": "sidekeep shelf rebuild",
    "inventory-unread": "sidekeep shelf rebuild",
    "input-not-opened": "sidekeep inputs shows what there is",
    "not-moved": "leave out --move",
    "no-out": "--out FILE.wav",
    "input-missing": "--input NAME chooses another",
    "no-shelf": "--shelf names another, adopt makes one",
    "sides-unclear": "--sides names them",
    "adopted-before": "--record NAME --sides A,B",
    "record-holds-them": "--sides A,B",
    "name-says-other-side": "--sides A,B",
    "sides-miscounted": "--sides A,B for two recordings, --sides AB for two sides on one",
    "side-not-on-sleeve": "--any-side",
}
"""By code of an error."""

STOP_ANSWERS: Mapping[str, str] = {
    "transfer": "your recordings are as they were; the same command again makes what is missing",
    "copies": "takes, and what was heard in them, are kept; the same command again makes what is missing",
    "adopt": "takes that are on the shelf stay there, with the originals of the others; the same command again goes on",
    "take": "whatever was recorded by then is on the shelf; the same command again takes what is missing",
    "verify": "no file was changed; the same command begins again",
}
"""By verb, when it was stopped: what is kept, and how to go on."""


def stop_answer(verb: str) -> str:
    """What to say after a verb that was stopped; empty where it is plain."""
    answer = STOP_ANSWERS.get(verb)
    return f" ({answer})" if answer else ""


def finding_answer(kind: str) -> str:
    """What to say on the command line after a finding, in brackets; empty when there is nothing to choose."""
    answer = FINDING_ANSWERS.get(kind)
    return f" ({answer})" if answer else ""


def error_answer(error: BaseException) -> str:
    """What to say on the command line after an error, in brackets; empty when no option helps."""
    answer = ERROR_ANSWERS.get(error.code) if isinstance(error, SidekeepError) else None
    return f" ({answer})" if answer else ""
