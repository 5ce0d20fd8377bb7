"""Lists sound inputs in a short-lived process: the library's list is frozen at its start, and its native
chatter and crashes stay out of the way. Prints one JSON object."""

from __future__ import annotations

import json
import os
import sys


def main() -> int:
    """Entry of the child process."""
    out = os.dup(1)
    os.dup2(2, 1)  # native libraries print to 1
    try:
        import sounddevice

        apis = sounddevice.query_hostapis()
        default = sounddevice.default.device[0]
        inputs = [
            {
                "number": device["index"],
                "name": device["name"],
                "api": apis[device["hostapi"]]["name"],
                "channels": device["max_input_channels"],
                "default_rate_hz": int(device["default_samplerate"]),
                "is_default": device["index"] == default,
                **_how_it_opens(sounddevice, device["index"], device["max_input_channels"]),
            }
            for device in sounddevice.query_devices()
            if device["max_input_channels"] > 0
        ]
        answer: dict[str, object] = {"inputs": inputs}
    except (ImportError, OSError) as error:
        answer = {"missing": str(error)}
    except Exception as error:  # whatever the library raises: told in one line
        answer = {"failed": " ".join(str(part) for part in error.args[:1]) or type(error).__name__}
    os.write(out, json.dumps(answer).encode())
    return 0


def _how_it_opens(library: object, number: int, channels: int) -> dict[str, object]:
    """Its rates with two channels; those with all of them where it opens in no other way: some interfaces have a fixed number."""
    for opened in dict.fromkeys((min(2, channels), channels)):
        rates_hz = [
            rate
            for rate in (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
            if _opens(library, number, opened, rate)
        ]
        if rates_hz:
            return {"rates_hz": rates_hz, "opened_channels": opened if opened > 2 else 0}
    return {"rates_hz": [], "opened_channels": 0}


def _opens(library: object, number: int, channels: int, rate_hz: int) -> bool:
    try:
        library.check_input_settings(  # type: ignore[attr-defined]
            device=number, channels=channels, dtype="int24", samplerate=rate_hz
        )
    except Exception:  # whatever the library raises means no
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
