"""Sound inputs with their true format.

A sound server opens anything as anything and resamples on the way. So on Linux the server is asked what its
sources really are (``pactl``), and those are what is listed; elsewhere, and for devices the server does not
manage, the sound library's own list counts.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sidekeep.devices.sound_server import server_sources, source_notes
from sidekeep.errors import DeviceError
from sidekeep.model.news import News

_TIMEOUT_S = 20.0
_POSITIONS = (
    "front-left", "front-right", "rear-left", "rear-right", "front-center", "lfe", "side-left", "side-right",
)  # fmt: skip
_PLAIN_LAYOUTS = (2, 4, 5, 6, 8)
"""Of so many channels the first positions are those of a stream of the sound library (the order of ALSA's surround layouts, as
the bridge to PulseAudio names them: seen with 4 and 8); what is beyond is called ``aux0``, ``aux1`` ..."""


@dataclass(frozen=True, kw_only=True)
class SoundInput:
    """One input. ``key`` is what is remembered and given back to choose it. ``rates_hz`` is empty when the
    one true rate is ``rate_hz``. Of a device with more channels than are recorded ``opened_channels`` are opened, so that
    nobody mixes them, and those from ``first_channel`` on are kept; 0: as many as are recorded. ``notes`` say what is not as
    it should be."""

    key: str
    name: str
    channels: int
    rate_hz: int
    bits: int
    device: str | int | None
    source: str | None = None
    rates_hz: tuple[int, ...] = ()
    opened_channels: int = 0
    first_channel: int = 0
    is_default: bool = False
    is_loopback: bool = False
    notes: tuple[News, ...] = ()


def list_inputs() -> list[SoundInput]:
    """Every input, the default first. Raises ``DeviceError`` when recording is not possible at all."""
    answer = _ask_library()
    if "missing" in answer:
        raise DeviceError("no-sound-library")
    if "failed" in answer:
        raise DeviceError("inputs-unlisted", reason=answer["failed"])
    library = answer["inputs"]
    server = server_sources()
    found = [_from_server(source) for source in server] if server is not None else []
    bridge = next((entry for entry in library if entry["name"] == "pulse"), None)
    if server is not None and bridge is None:
        found = []
    for entry in library:
        # With a server, its bridge devices show nothing true; hardware devices below it do.
        if server is not None and not re.search(r"\(hw:\d", entry["name"]):
            continue
        found.append(_from_library(entry))
    if not found and server and bridge is None:
        raise DeviceError("no-bridge")
    if not found:
        raise DeviceError("no-inputs")
    return in_pairs(
        sorted(told_apart(found), key=lambda each: (not each.is_default, each.is_loopback, each.name))
    )


def told_apart(inputs: list[SoundInput]) -> list[SoundInput]:
    """Two interfaces of one make have one name: the second is called so, and so is its key, in the order of the system."""
    keys: Counter[str] = Counter()
    names: Counter[str] = Counter()
    found = []
    for each in inputs:
        keys[each.key] += 1
        names[each.name] += 1
        found.append(
            replace(
                each,
                key=each.key if keys[each.key] == 1 else f"{each.key} #{keys[each.key]}",
                name=each.name
                if names[each.name] == 1
                else f"{each.name}, the {_nth(names[each.name])} of that name",
            )
        )
    return found


def in_pairs(inputs: list[SoundInput]) -> list[SoundInput]:
    """Each pair of channels of an interface with four and more is an input of its own: a turntable may be plugged in anywhere.
    The first pair keeps the key of the device."""
    found = []
    for each in inputs:
        if each.channels < 4:
            found.append(each)
            continue
        for first in range(0, each.channels - 1, 2):
            pair = f"{first + 1} and {first + 2}"
            found.append(
                replace(
                    each,
                    key=f"{each.key}, channels {pair}" if first else each.key,
                    name=f"{each.name}, channels {pair}",
                    channels=2,
                    opened_channels=each.channels if first else each.opened_channels,
                    first_channel=first,
                    is_default=each.is_default and not first,
                    notes=tuple(note for note in each.notes if note.code != "input-channels"),
                )
            )
    return found


def _nth(number: int) -> str:
    words = {2: "second", 3: "third", 4: "fourth"}
    return words.get(number, f"{number}th")


def choose_input(inputs: list[SoundInput], wanted: str | None) -> SoundInput:
    """The input a person means: its key, or part of its name; without words the default. Of a device with several pairs of
    channels its name alone means the first."""
    if not wanted:
        return inputs[0]
    exact = [each for each in inputs if each.key == wanted]
    close = exact or [each for each in inputs if wanted.lower() in (each.name + " " + each.key).lower()]
    if close and len({(each.device, each.source) for each in close}) == 1:
        return close[0]
    names = "; ".join(each.name for each in inputs)
    if not close:
        raise DeviceError("input-unknown", wanted=wanted, inputs=names)
    raise DeviceError("input-unclear", count=len(close), wanted=wanted, inputs=[each.name for each in close])


def format_notes(*, channels: int, rate_hz: int, bits: int) -> tuple[News, ...]:
    """What is wrong with the format of an input."""
    notes = []
    if channels == 1:
        notes.append(News(code="input-mono", severity="look"))
    if channels > 2:
        notes.append(News(code="input-channels", facts={"channels": channels}))
    if bits and bits < 24:
        notes.append(News(code="input-bits", facts={"bits": bits}))
    if rate_hz < 44_100:
        notes.append(News(code="input-rate", severity="look", facts={"rate_hz": rate_hz}))
    return tuple(notes)


def layout_notes(channels: int, names: str) -> tuple[News, ...]:
    """What a sound server makes of the channels of a source, by their names (``front-left,front-right,...``): it hands them on by
    name, and mixes or drops those that are called otherwise than a stream of as many channels calls them."""
    if channels < 2 or not names:
        return ()
    plain = max(count for count in _PLAIN_LAYOUTS if count <= channels)
    expected = {*_POSITIONS[:plain], *(f"aux{number}" for number in range(channels - plain))}
    if set(names.split(",")) == expected:
        return ()
    return (News(code="input-mixed", severity="look", facts={"names": names.replace(",", ", ")}),)


def _ask_library() -> dict[str, Any]:
    try:
        done = subprocess.run(
            [sys.executable, "-m", "sidekeep.devices.inputs_process"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=_TIMEOUT_S,
            check=False,
        )
        answer: dict[str, Any] = json.loads(done.stdout or b"{}")
    except subprocess.TimeoutExpired:
        raise DeviceError("sound-system-silent") from None
    except ValueError:
        answer = {}
    return answer if answer else {"failed": "it ended, and why is not known"}


def sample_specification(text: str) -> tuple[int, int, int]:
    """``s24le 2ch 96000Hz`` as (bits, channels, rate); 0 for what is not told."""
    bits = re.search(r"\b[sf](\d+)", text)
    channels = re.search(r"(\d+)ch", text)
    rate = re.search(r"(\d+)\s*Hz", text)
    return tuple(int(part[1]) if part else 0 for part in (bits, channels, rate))  # type: ignore[return-value]


def _from_server(source: Mapping[str, Any]) -> SoundInput:
    bits, channels, rate_hz = sample_specification(str(source.get("sample_specification", "")))
    name = str(source.get("description") or source.get("name"))
    return SoundInput(
        key=str(source["name"]),
        name=name,
        channels=channels,
        rate_hz=rate_hz,
        bits=bits,
        device="pulse",
        source=str(source["name"]),
        opened_channels=channels if channels > 2 else 0,
        is_default=bool(source.get("is_default")),
        is_loopback=str(source["name"]).endswith(".monitor"),
        notes=format_notes(channels=channels, rate_hz=rate_hz, bits=bits)
        + layout_notes(channels, str(source.get("channel_map", "")))
        + source_notes(source),
    )


def _from_library(entry: Mapping[str, Any]) -> SoundInput:
    rates_hz = tuple(entry["rates_hz"])
    rate_hz = max((rate for rate in rates_hz if rate <= 96_000), default=entry["default_rate_hz"])
    return SoundInput(
        key=f"{entry['api']}: {entry['name']}",
        name=f"{entry['name']} ({entry['api']})",
        channels=entry["channels"],
        rate_hz=rate_hz,
        bits=24,
        device=entry["number"],
        rates_hz=rates_hz,
        opened_channels=entry.get("opened_channels", 0),
        is_default=entry["is_default"],
        notes=format_notes(channels=entry["channels"], rate_hz=rate_hz, bits=24),
    )
