"""What is wished at the turntable, kept from one evening to the next: the form an input is opened in, and where the peaks should
come to."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import kept_json
from sidekeep.flow.needle.gauge import GaugeSettings
from sidekeep.service.inputs import settings_path


def form_wished() -> tuple[int | None, int | None]:
    """Sample rate in Hz and word length in bits; None where the input's own is taken."""
    kept = _kept(int)
    return kept.get("rate_hz"), kept.get("bits")


def aim_wished_dbfs() -> float | None:
    """Up to where the highest peaks should come, if the person chose it."""
    return _kept(float).get("peak_dbfs")


def aim_for(bits: int) -> GaugeSettings:
    """Where the peaks should come to: as wished, else as the word length allows."""
    peak_dbfs = aim_wished_dbfs()
    return GaugeSettings.for_bits(bits) if peak_dbfs is None else GaugeSettings.up_to(peak_dbfs)


def keep_wishes(**wishes: float | None) -> None:
    """``rate_hz``, ``bits`` (integers) and ``peak_dbfs`` (a float); what is not named stays."""
    path = _path()
    path.parent.mkdir(parents=True, exist_ok=True)
    write_json(path, {**_kept(int), **_kept(float), **wishes}, replace=True)


def _path() -> Path:
    return settings_path().with_name("turntable.json")


def _kept(kind: type) -> dict[str, Any]:
    """The wishes that are a value of that kind; a hand-edited file may hold anything."""
    values: dict[str, Any] = kept_json(_path(), dict[str, Any]) or {}
    return {name: value for name, value in values.items() if type(value) is kind}
