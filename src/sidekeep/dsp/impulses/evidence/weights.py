"""The weights that this version is delivered with, as ``./run fit`` found them (``weights.json``)."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib import resources

from sidekeep.dsp.impulses.evidence.collect import EVIDENCE, NEAR_EVIDENCE
from sidekeep.dsp.impulses.evidence.network import Weights, read_weights

FILE = "weights.json"


@lru_cache(maxsize=1)
def fitted_weights() -> Weights:
    """Read once, and checked against the evidence that is collected."""
    text = resources.files("sidekeep.dsp.impulses.evidence").joinpath(FILE).read_text("utf-8")
    return read_weights(json.loads(text), EVIDENCE, NEAR_EVIDENCE)
