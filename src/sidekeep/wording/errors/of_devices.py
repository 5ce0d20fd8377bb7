"""Errors about sound inputs."""

from __future__ import annotations

from collections.abc import Mapping

from sidekeep.wording.errors.facts import Sentence

WORDS: Mapping[str, Sentence] = {
    "input-unclear": "{count} sound inputs match {wanted!r}, so give more of the name: {inputs:; }",
    "inputs-unlisted": "the sound library cannot list the inputs: {reason}; restart the sound system or the computer",
    "no-bridge": (
        "the sound server has inputs, but the sound library has no bridge to it (Debian, Ubuntu: apt "
        "install libasound2-plugins)"
    ),
    "no-inputs": (
        "no sound input was found: connect the interface, switch it on, and allow this program to use the "
        "microphone where the system asks for that"
    ),
    "input-unknown": "no sound input matches {wanted!r}; the inputs are: {inputs}",
    "sound-system-silent": "the sound system did not answer within 20 s; restart it or the interface",
    "capture-gone": "the capture process has ended; the take it was writing is kept",
    "no-sound-library": (
        "recording is not available: the PortAudio library is missing (Debian, Ubuntu: apt install "
        "libportaudio2 libasound2-plugins); everything from files works without it"
    ),
}
