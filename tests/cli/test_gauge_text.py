"""What the gauge says of a whole side that has not been played yet."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from sidekeep.cli.texts.gauge import forecast_text


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
