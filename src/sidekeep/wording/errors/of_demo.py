"""Errors about the record that the demo presses."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Facts, Sentence


def _art_side(facts: Facts) -> str:
    return f"side={facts['side']!r} must be one of {', '.join(facts['known']) or 'none'}"


WORDS: Mapping[str, Sentence] = {
    "art-size": "size_px={size_px} must lie between 100 and 4000",
    "demo-folder": "the demo needs a folder at {folder}: {reason}",
    "demo-side": "side={side!r} must be A or B",
    "demo-rate": "rate_hz={rate_hz} must be at least 32000 for the demo's instruments",
    "nullset-name": "name={name!r} must be one of {known}",
    "nullset-seconds": "seconds={seconds:g} must be at least 2",
    "score-shapes": (
        "take {take_shape}, twin {twin_shape} and mended {mended_shape} must be ({length_frames}, 2), as "
        "the truth says"
    ),
    "groove-radius": "end_radius_mm={end_radius_mm:g} must be under start_radius_mm={start_radius_mm:g}",
    "press-bits": "bits={bits} must lie between 8 and 32, or be None",
    "scratch-turns": "scratch_turns={scratch_turns} must be (least, most), at least 1",
    "press-setting": "{name}={value:g} must lie between {low:g} and {high:g}",
    "side-without-piece": "a side needs at least one piece",
    "press-side-bits": "bits={bits} must be 16, 24 or 32 (float)",
    "piece-shape": "piece {title!r}: shape {shape} must be (frames, 2)",
    "tone-rate": "rate_hz={rate_hz} must be at least 8000",
    "art-side": _art_side,
}
