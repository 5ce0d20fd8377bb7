"""Which sound input is used: listed with its true format, chosen once, remembered by name."""

from __future__ import annotations

from pathlib import Path

import platformdirs

from sidekeep.devices.inputs import SoundInput, choose_input, list_inputs
from sidekeep.devices.recorder import RecorderSettings
from sidekeep.errors import DeviceError, ParameterError, ShelfError
from sidekeep.files.atomic import write_text
from sidekeep.files.bounded import read_text_bounded
from sidekeep.model.news import News
from sidekeep.shelf.toml_text import new_toml, read_toml

__all__ = [
    "SoundInput",
    "find_same_input",
    "list_inputs",
    "notes_of",
    "pick_input",
    "recorder_settings",
    "remembered_input",
]

_RATES_HZ = range(8_000, 384_001)


def settings_path() -> Path:
    """Where the person's choices are kept."""
    return platformdirs.user_config_path("sidekeep", appauthor=False, roaming=True) / "settings.toml"


def remembered_input() -> tuple[str, str] | None:
    """Key and name of the input chosen last, if any is known."""
    try:
        return _chosen_last()
    except DeviceError:
        return None


def _chosen_last() -> tuple[str, str] | None:
    """The same; raises ``DeviceError`` when it was written down and cannot be read."""
    path = settings_path()
    if not path.exists():
        return None
    try:
        values = read_toml(read_text_bounded(path, "settings", error=ShelfError), str(path))
    except ShelfError as error:
        raise DeviceError("input-forgotten", reason=error) from error
    if "input" not in values:
        return None
    key = str(values["input"])
    return key, str(values.get("input_name", key))


def pick_input(wanted: str | None = None) -> SoundInput:
    """The input asked for (and remembered from now on), the remembered one, or the default where none was ever chosen.

    Raises ``DeviceError`` when the remembered input is not there: another one is never taken in its place.
    """
    known = None if wanted else _chosen_last()
    try:
        inputs = list_inputs()
    except DeviceError as error:
        if known is None:
            raise
        raise DeviceError("input-not-there", name=known[1], reason=error) from error
    if wanted:
        chosen = choose_input(inputs, wanted)
        path = settings_path()
        path.parent.mkdir(parents=True, exist_ok=True)
        write_text(path, new_toml({"input": chosen.key, "input_name": chosen.name}), replace=True)
        return chosen
    if known is None:
        return inputs[0]
    found = next((each for each in inputs if each.key == known[0]), None)
    if found is None:
        raise DeviceError("input-missing", name=known[1], inputs=[each.name for each in inputs])
    return found


def notes_of(sound_input: SoundInput) -> tuple[News, ...]:
    """What should be heard of an input before it is used."""
    if sound_input.is_loopback:
        return (*sound_input.notes, News(code="loopback", severity="look", facts={"name": sound_input.name}))
    return sound_input.notes


def find_same_input(key: str, *, rate_hz: int, channels: int) -> SoundInput | None:
    """The input of that key while it is there, and only as it was."""
    try:
        found = next((each for each in list_inputs() if each.key == key), None)
    except DeviceError:
        return None
    if found is None or min(2, found.channels) != channels:
        return None
    return found if rate_hz == found.rate_hz or rate_hz in found.rates_hz else None


def recorder_settings(
    sound_input: SoundInput, *, rate_hz: int | None = None, bits: int | None = None
) -> RecorderSettings:
    """How the input is opened: at its own rate and word length, so that nothing is converted on the way."""
    if rate_hz is not None:
        if rate_hz not in _RATES_HZ:
            raise ParameterError("rate-range", rate_hz=rate_hz)
        if sound_input.source is not None and rate_hz != sound_input.rate_hz:
            raise ParameterError(
                "input-rate-resampled",
                name=sound_input.name,
                own_rate_hz=sound_input.rate_hz,
                rate_hz=rate_hz,
            )
        if sound_input.rates_hz and rate_hz not in sound_input.rates_hz:
            rates = ", ".join(str(rate) for rate in sound_input.rates_hz)
            raise ParameterError(
                "input-rate-not-offered", name=sound_input.name, rates=rates, rate_hz=rate_hz
            )
    true_bits = bits or (sound_input.bits if sound_input.bits in (16, 24, 32) else 24)
    return RecorderSettings(
        rate_hz=rate_hz or sound_input.rate_hz,
        channels=min(2, sound_input.channels),
        opened_channels=sound_input.opened_channels,
        first_channel=sound_input.first_channel,
        bits=true_bits,
        device=sound_input.device,
        source=sound_input.source,
        told=tuple(note.code for note in sound_input.notes),
    )
