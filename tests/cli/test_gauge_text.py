"""What the gauge says of a whole side that has not been played yet."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from sidekeep.cli.texts.gauge import forecast_text, gauge_page
from sidekeep.flow.needle.gauge import GaugeReading
from sidekeep.model.news import News
from sidekeep.units import MINIMUM_DB


@pytest.mark.parametrize(
    ("forecast_dbfs", "said"),
    [
        (-6.04, "side may reach -6.0 ±1.5 dBFS"),
        (-0.1, "side may reach -0.1 ±1.5 dBFS"),
        (0.0, "side may reach full scale"),
        (2.0, "side may reach full scale"),
    ],
)
def test_nothing_is_forecast_over_full_scale(forecast_dbfs: float, said: str) -> None:
    reading = SimpleNamespace(forecast_dbfs=forecast_dbfs, forecast_sd_db=1.5)
    assert forecast_text(cast(Any, reading)) == said


def reading(**facts: Any) -> GaugeReading:
    usual: dict[str, Any] = {
        "time_s": 4.0,
        "needle": "down",
        "peak_dbfs": (-12.0, -13.0),
        "held_dbfs": (-9.0, -9.5),
        "highest_dbfs": -8.04,
        "true_peak_dbtp": -7.5,
        "momentary_lufs": -21.3,
        "balance_db": 0.42,
        "correlation": 0.81,
        "dc": (0.0, 0.0),
        "clipped_frames": 0,
        "noise_dbfs": -71.0,
        "hum_hz": 50.01,
        "hum_dbfs": -82.0,
        "forecast_dbfs": -4.2,
        "forecast_sd_db": 1.5,
        "advice": News(code="level-right"),
    }
    return GaugeReading(**{**usual, **facts})


def test_the_gauge_shows_all_that_it_knows_and_nothing_else() -> None:
    page = "\n".join(gauge_page(reading(), ("deck", 96_000, 24), (), 80).head)
    for fact in ("deck, 96 kHz, 24 bits", "highest -8.0 dBFS", "true peak -7.5 dBTP", "loudness -21.3 LUFS"):
        assert fact in page
    for fact in (
        "balance +0.4 dB",
        "correlation +0.81",
        "chain noise -71.0 dBFS",
        "hum 50.01 Hz at -82 dBFS",
    ):
        assert fact in page
    assert "side may reach -4.2" in page
    assert "clipped" not in page
    assert "3 frames clipped" in "\n".join(
        gauge_page(reading(clipped_frames=3), ("deck", 96_000, 24), (), 80).head
    )
    unheard = reading(
        peak_dbfs=(MINIMUM_DB,),
        held_dbfs=(MINIMUM_DB,),
        highest_dbfs=MINIMUM_DB,
        true_peak_dbtp=MINIMUM_DB,
        momentary_lufs=MINIMUM_DB,
        noise_dbfs=MINIMUM_DB,
        hum_hz=0.0,
        forecast_dbfs=MINIMUM_DB,
    )
    blank = "\n".join(gauge_page(unheard, ("deck", 44_100, 16), (), 80).head)
    assert "nothing heard yet" in blank
    assert not any(word in blank for word in ("balance", "correlation", "true peak", "hum ", "reach"))
