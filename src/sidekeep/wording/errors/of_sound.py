"""Errors about the kernels and the flow: values and shapes they cannot work with, and cuts that cannot be moved so."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Facts, Sentence


def _past_a_neighbour(facts: Facts) -> str:
    where = f"side {facts['side']} track {facts['track']}" if facts["track"] else f"side {facts['side']}"
    return f"{where}: frame {facts['frame']} must lie between {facts['low']} and {facts['high']}, inside its neighbours"


WORDS: Mapping[str, Sentence] = {
    "grid-rate": "rate_hz={rate_hz} must be at least 1000",
    "grid-block": "block of shape {shape} must be (frames, {channels})",
    "grid-channels": "channels={channels} must be at least 1",
    "weights-missing": "the weights lack {missing}: fit them again",
    "weights-unknown": "the {name} weights ask for {unknown}, which is not collected: fit them again",
    "weights-spread": "the {name} weights have no spread at all",
    "weights-share": "the weights' {name} of damage is {share}; it must lie between 0 and 1",
    "weights-shape": "the {name} weights' {part} has shape {shape}; it must be {due_shape}",
    "thumps-shape": "audio has shape {shape}; it must be (frames, 1 or 2)",
    "thumps-rate": "rate_hz={rate_hz} must be 8000 or more",
    "spectrum-too-short": "a spectrum of {bytes} bytes is too short",
    "spectrum-unknown": "these bytes are not a kept spectrum (or one of another version)",
    "spectrum-cut-short": "the kept spectrum is cut short; it can be made again from the take",
    "loudness-rate": "rate_hz={rate_hz} must be at least 8000: the weighting filter has its shelf at 1682 Hz",
    "loudness-hop": "hop_windows={hop_windows} must lie between 1 and {most}",
    "loudness-weights": "weights of shape {shape} must be ({channels},)",
    "peaks-too-short": "peak store of {bytes} bytes is too short",
    "peaks-unknown": "these bytes are not a peak store (or one of another version)",
    "peaks-width": "width={width} must be positive and the frames in order",
    "peaks-cut-short": "the peak store is cut short; it can be made again from the take",
    "peaks-grid": "base_frames={base_frames} and factor={factor} must be at least 1 and 2",
    "true-peak-filter": "factor={factor} must be 2 or more, taps={taps} even and 8 to {most}",
    "hum-shape": "audio has {dimensions} dimensions; it must be (frames, channels)",
    "hum-rate": "rate_hz={rate_hz:g} must be 1000 or more to hold the harmonics of hum",
    "low-rate-factor": "factor={factor} must be 1 or more",
    "dither-bits": "bits={bits} must lie between 2 and 32",
    "dither-start": "start_frame={start_frame} must not be negative",
    "fade-frames": "fade_frames={fade_frames} and count={count} must not be negative",
    "fade-shape": "shape {shape!r} must be cosine or power",
    "resample-rate": "{name}={value} must lie between 1000 and 1000000",
    "turn-shapes": "times_s, weights and channels must be one-dimensional and of one length",
    "turn-times": "times_s and weights must be finite and duration_s above 0",
    "sway-series": "series must be finite, (samples,) or (samples, channels)",
    "sway-rate": "rate_hz={rate_hz:g} must be 8 or more to hold the harmonics of a turn",
    "takes-do-not-match": (
        "these are not takes of one side: they do not line up ({share_percent} % of the places "
        "compared match; 60 % would be needed)"
    ),
    "takes-at-other-speeds": (
        "one of these takes was played at {first_rpm:g} rpm and another at {other_rpm:g}: equalised at other frequencies "
        "they are not one sound; combine takes of one speed"
    ),
    "takes-of-one-playing": (
        "two of these are one and the same playing (a recording and its copy): noise falls only with another playing; "
        "lower the needle once more, or leave one of them out"
    ),
    "takes-too-few": "combining needs at least two takes of one side",
    "no-track-there": "no track of side {side} can begin there: one begins there already, or no music is left",
    "no-such-track": "side {side} has no track {track}; it has {tracks}",
    "no-track-after": "side {side} track {track} is the last one: there is none after it to join",
    "first-track": "the first track of side {side} cannot run on from another",
    "nothing-given": "neither title, artist nor composer is given",
    "mend-channels": "channels={channels} must be 1 or 2",
    "rate-range": "rate_hz={rate_hz} must lie between 8000 and 384000",
    "noise-form": "rate_hz={rate_hz} must be 8000 or more and channels={channels} 1 or more",
    "noise-block": "block has shape {shape}; it must be (frames, {channels})",
    "patches-not-whole": "a patch file is not whole; survey the take again to make a new one",
    "patches-unknown": "this is not a patch file of sidekeep; survey the take again",
    "survey-length": "length_frames={given_frames} must be the {heard_frames} frames that were heard",
    "past-a-neighbour": _past_a_neighbour,
}
