"""What the sound server (PulseAudio, or PipeWire in its place) says of its sources and of our own stream, through ``pactl``."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Mapping
from typing import Any

from sidekeep.model.finding import Severity
from sidekeep.model.news import News

_TIMEOUT_S = 5.0


def server_sources() -> list[dict[str, Any]] | None:
    """Sources of the sound server, or None when there is none to ask (or it does not answer)."""
    sources = _ask("-f", "json", "list", "sources")
    default = _ask("get-default-source")
    if sources is None or default is None:
        return None
    try:
        found: list[dict[str, Any]] = json.loads(sources)
    except ValueError:
        return None
    for source in found:
        source["is_default"] = source.get("name") == default.strip()
    return found


def source_of_process(process_id: int) -> str | None:
    """The name of the source that a process records from; empty when it records from none, None when nobody knows."""
    streams = _ask("-f", "json", "list", "source-outputs")
    sources = _ask("-f", "json", "list", "sources")
    if streams is None or sources is None:
        return None
    try:
        names = {source["index"]: str(source["name"]) for source in json.loads(sources)}
        for stream in json.loads(streams):
            if str(stream.get("properties", {}).get("application.process.id")) == str(process_id):
                return names.get(stream.get("source"), "")
    except (ValueError, KeyError, TypeError):
        return None
    return ""


def source_notes(source: Mapping[str, Any]) -> tuple[News, ...]:
    """What the server does to the samples of a source: mute, and a volume that is not 100 %."""
    notes = []
    if source.get("mute"):
        notes.append(News(code="input-muted", severity="act"))
    volumes = source.get("volume")
    percents = []
    for volume in volumes.values() if isinstance(volumes, Mapping) else ():
        found = re.match(
            r"\s*(\d+)", str(volume.get("value_percent", "")) if isinstance(volume, Mapping) else ""
        )
        if found:
            percents.append(int(found[1]))
    wrong = [percent for percent in percents if percent != 100]
    if wrong:
        # With a control in the hardware the number is a gain of the interface; without, samples are multiplied.
        in_hardware = "HW_VOLUME_CTRL" in str(source.get("flags", ""))
        severity: Severity = "note" if in_hardware else "act"
        facts = {"percent": min(wrong), "in_hardware": in_hardware}
        notes.append(News(code="input-volume", severity=severity, facts=facts))
    return tuple(notes)


def _ask(*words: str) -> str | None:
    if sys.platform != "linux" or shutil.which("pactl") is None:
        return None
    try:
        done = subprocess.run(
            ["pactl", *words], capture_output=True, timeout=_TIMEOUT_S, check=True, text=True
        )
    except (subprocess.SubprocessError, OSError, UnicodeDecodeError):
        return None
    return done.stdout
