"""What a piece is when it has ended: a false start, a side, or a part of one that goes on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sidekeep.errors import ParameterError
from sidekeep.model.finding import Fact
from sidekeep.model.news import News
from sidekeep.service.recording.open_take import ClosedPiece
from sidekeep.service.recording.side_fit import PrintedSide, fit, same_course, shortest_side_s
from sidekeep.service.recording.take_types import TakeOptions

_CUT_SHORT = ("lost", "full", "cap")
DOUBTS = ("looks-like", "same-as")
"""What is asked of a side that was taken: whether it is the one it is taken for."""
LEVER_FROM_S = 60.0
"""A lift before that is more likely one of a needle set down wrongly."""
RUN_OUT_KEPT_S = 8.0
DOUBTED_RUN_OUT_KEPT_S = 45.0
"""A tick once per turn in a long pause may be a scratch: before the printed time is over it must last."""


def was_cut_short(piece: ClosedPiece) -> bool:
    """Whether the same side is still due, or goes on, after this piece."""
    return piece.reason in _CUT_SHORT


def refuse_strange_sides(options: TakeOptions, known: Sequence[str]) -> None:
    """A side that is not on the sleeve is asked about: raises ParameterError unless any side is wanted."""
    if not options.sides:
        raise ParameterError("no-side-named")
    strange = [side for side in options.sides if side not in known]
    if strange and known and not options.any_side:
        raise ParameterError("side-not-on-sleeve", side=strange[0], known=known, sides=list(known))


def judge(
    piece: ClosedPiece,
    earlier: Sequence[ClosedPiece],
    printed: Mapping[str, PrintedSide],
    options: TakeOptions,
) -> tuple[str, list[News]]:
    """``false-start``, ``kept`` (the side is still due) or ``taken``, and what to say of it. Marks a piece for the bin."""
    side, reason = piece.side, piece.reason
    own = printed.get(side)
    length_s = round(piece.length_s, 1)
    least_s = shortest_side_s(side, printed, without_print_s=options.shortest_side_s)
    short = reason == "lift" and not piece.take.anew and piece.length_s < least_s
    if short or reason in ("again", "discard", "switched-on"):
        piece.binned = "lifted" if reason == "lift" else reason
        facts: dict[str, Fact] = {
            "length_s": length_s,
            "printed_s": own.length_s if own is not None else None,
            "reason": piece.binned,
        }
        return "false-start", [News(code="false-start", side=side, take=piece.name, facts=facts)]
    if was_cut_short(piece):
        return "kept", [News(code="kept", side=side, take=piece.name, facts={"length_s": length_s})]
    taken = {"length_s": length_s, "music_s": round(piece.music_s, 1)}
    news = [News(code="taken", side=side, take=piece.name, facts=taken)]
    # What goes on where another take was cut short is a part, and says nothing by its length.
    if not piece.take.anew and (found := fit(side, piece.music_s, printed)) is not None:
        found = _beginning_aside(piece, earlier, own) or found
        news.append(found)
        piece.looks_like = str(found.facts["other"]) if found.code == "looks-like" else ""
    for other in earlier:
        if not other.binned and other.side != side and same_course(other.take.course, piece.take.course):
            news.append(News(code="same-as", severity="act", side=side, facts={"other": other.side}))
    piece.take.notes += [each for each in news if each.severity != "note"]
    return "taken", news


def _beginning_aside(
    piece: ClosedPiece, earlier: Sequence[ClosedPiece], own: PrintedSide | None
) -> News | None:
    """A side whose beginning was put aside when the needle was lifted in it, and lowered there again later: together they are as
    long as printed. By its length alone the rest may look like another side."""
    before = earlier[-1] if earlier else None
    if own is None or before is None or before.binned != "lifted" or before.side != piece.side:
        return None
    is_whole = piece.music_s >= own.expected_s - own.tolerance_s
    if is_whole or before.length_s < LEVER_FROM_S:
        return None
    if before.music_s + piece.music_s < own.expected_s - own.tolerance_s:
        return None
    facts: dict[str, Fact] = {
        "length_s": round(piece.music_s, 1),
        "printed_s": own.length_s,
        "aside_s": round(before.music_s, 1),
        "aside": before.name.rpartition("/")[2],
    }
    return News(code="beginning-aside", severity="act", side=piece.side, facts=facts)


def run_out_kept_s(printed: PrintedSide | None, music_s: float) -> float:
    """How much of the run-out is kept before it is taken for the end of the side."""
    return DOUBTED_RUN_OUT_KEPT_S if _is_early(printed, music_s) else RUN_OUT_KEPT_S


def may_go_on(printed: PrintedSide | None, music_s: float) -> bool:
    """Whether a lift after so much music may be one in the middle of the side: later than a needle that was set down wrongly, and
    before the printed time is over."""
    return music_s >= LEVER_FROM_S and _is_early(printed, music_s)


def doubt_of(piece: ClosedPiece, news: Sequence[News], printed: PrintedSide | None) -> str:
    """Why the evening should not end at once with this side: ``side`` when it is perhaps another one, ``run-out`` when music may
    come back; empty when nothing is in doubt."""
    if any(each.code in DOUBTS for each in news):
        return "side"
    return "run-out" if piece.reason == "run-out" and _is_early(printed, piece.music_s) else ""


def _is_early(printed: PrintedSide | None, music_s: float) -> bool:
    return printed is None or music_s < 0.9 * printed.length_s
