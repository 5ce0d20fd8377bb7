"""Which sound input is used: listed with its true format, chosen once, remembered by name."""

from __future__ import annotations

import os
import sys
import tomllib
from pathlib import Path

from sidekeep.devices.inputs import SoundInput, choose_input, list_inputs
from sidekeep.devices.recorder import RecorderSettings
from sidekeep.errors import ParameterError
from sidekeep.files.atomic import write_text
from sidekeep.shelf.toml_text import toml_text

__all__ = ["SoundInput", "list_inputs", "pick_input", "recorder_settings", "remembered_input"]

_RATES_HZ = range(8_000, 384_001)


def settings_path() -> Path:
    """Where the person's choices are kept."""
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA", Path.home()))
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "sidekeep" / "settings.toml"


def remembered_input() -> str | None:
    """The key of the input chosen last, if any."""
    try:
        return str(tomllib.loads(settings_path().read_text("utf-8"))["input"])
    except (OSError, KeyError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return None


def pick_input(wanted: str | None = None) -> SoundInput:
    """The input asked for (and remembered from now on), the remembered one, or the default."""
    inputs = list_inputs()
    if wanted:
        chosen = choose_input(inputs, wanted)
        path = settings_path()
        path.parent.mkdir(parents=True, exist_ok=True)
        write_text(path, toml_text({"input": chosen.key}), replace=True)
        return chosen
    known = remembered_input()
    return next((each for each in inputs if each.key == known), inputs[0])


def recorder_settings(
    sound_input: SoundInput, *, rate_hz: int | None = None, bits: int | None = None, pre_roll_s: float = 4.0
) -> RecorderSettings:
    """How the input is opened: at its own rate and word length, so that nothing is converted on the way."""
    if rate_hz is not None:
        if rate_hz not in _RATES_HZ:
            raise ParameterError(f"rate_hz={rate_hz} must lie between 8000 and 384000")
        if sound_input.source is not None and rate_hz != sound_input.rate_hz:
            raise ParameterError(
                f"{sound_input.name} runs at {sound_input.rate_hz} Hz; at {rate_hz} Hz the sound server would "
                "resample it: change the rate of the input in the system's sound settings"
            )
        if sound_input.rates_hz and rate_hz not in sound_input.rates_hz:
            rates = ", ".join(str(rate) for rate in sound_input.rates_hz)
            raise ParameterError(f"{sound_input.name} offers {rates} Hz, not {rate_hz}")
    true_bits = bits or (sound_input.bits if sound_input.bits in (16, 24, 32) else 24)
    return RecorderSettings(
        rate_hz=rate_hz or sound_input.rate_hz,
        channels=min(2, sound_input.channels),
        bits=true_bits,
        device=sound_input.device,
        source=sound_input.source,
        pre_roll_s=pre_roll_s,
    )
