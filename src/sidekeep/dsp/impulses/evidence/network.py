"""Small networks that weigh the evidence: checked when they are read.

A file of weights holds five networks of one hidden layer of tanh units, and a card that says how they came about. Each network
names the evidence it asks for, in any order; what it does not ask for weighs nothing. The first judge, for takes of two channels
or of one, gives log odds of damage at the share of damage in its material, ``share``. The second knows the edges of music: it
was fitted on what the first one lets pass, and its doubt is taken from the odds. The screen comes before both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from sidekeep.dsp.impulses.autoregression import Matrix, Vector
from sidekeep.dsp.kernel import inner_kernel
from sidekeep.errors import ParameterError

NAMES = ("stereo", "mono", "stereo_edges", "mono_edges", "screen")
LOG_2 = math.log(2.0)
INVERSE_LOG_2 = 1.0 / LOG_2
LIMIT = 5.0
"""Spreads from its centre beyond which a number counts no further."""


class Network(NamedTuple):
    """Centre and spread of the evidence; weights (units, evidence) and bias of the units; weights and offset of the output."""

    centre: Vector
    spread: Vector
    hidden: Matrix
    bias: Vector
    out: Vector


@dataclass(frozen=True)
class Weights:
    """The networks for two channels and for one, the one to screen with; the shares of damage the judges were fitted at."""

    stereo: Network
    mono: Network
    stereo_edges: Network
    mono_edges: Network
    screen: Network
    share: float
    edges_share: float

    @property
    def networks(self) -> dict[str, Network]:
        """All of them by name."""
        return {name: getattr(self, name) for name in NAMES}


def read_weights(held: dict[str, Any], evidence: tuple[str, ...], near: tuple[str, ...]) -> Weights:
    """Weights from the content of a file, spread over the ``evidence`` that is collected; the screen asks for ``near`` alone.

    Raises ParameterError where they ask for evidence that is not collected, or are of the wrong shape.
    """
    if missing := [name for name in NAMES if name not in held["networks"]]:
        raise ParameterError("weights-missing", missing=missing)
    networks = {
        name: _read_network(name, held["networks"][name], evidence, near if name == "screen" else evidence)
        for name in NAMES
    }
    shares = {name: float(held[name]) for name in ("share", "edges_share")}
    for name, share in shares.items():
        if not 0.0 < share < 1.0:
            raise ParameterError("weights-share", name=name, share=share)
    return Weights(**networks, share=shares["share"], edges_share=shares["edges_share"])


def _read_network(
    name: str, held: dict[str, Any], evidence: tuple[str, ...], allowed: tuple[str, ...]
) -> Network:
    asked = held["evidence"]
    if unknown := [word for word in asked if word not in allowed]:
        raise ParameterError("weights-unknown", name=name, unknown=unknown)
    units = len(held["bias"])
    parts = {
        word: np.array(held[word], dtype=np.float64) for word in ("centre", "spread", "hidden", "bias", "out")
    }
    wanted = {
        "centre": (len(asked),),
        "spread": (len(asked),),
        "hidden": (units, len(asked)),
        "bias": (units,),
        "out": (units + 1,),
    }
    for word, shape in wanted.items():
        if parts[word].shape != shape or not np.isfinite(parts[word]).all():
            raise ParameterError(
                "weights-shape", name=name, part=word, shape=parts[word].shape, due_shape=shape
            )
    if not (parts["spread"] > 0.0).all():
        raise ParameterError("weights-spread", name=name)
    columns = [evidence.index(word) for word in asked]
    wide = {
        "centre": np.zeros(len(evidence)),
        "spread": np.ones(len(evidence)),
        "hidden": np.zeros((units, len(evidence))),
    }
    for word, full in wide.items():
        full[..., columns] = parts[word]
    return Network(wide["centre"], wide["spread"], wide["hidden"], parts["bias"], parts["out"])


@inner_kernel
def weigh_evidence(evidence: Vector, network: Network) -> float:
    """Log odds of damage from one row of evidence."""
    centre, spread, hidden, bias, out = network
    units, count = hidden.shape
    value = np.empty(count)
    for i in range(count):
        value[i] = min(LIMIT, max(-LIMIT, (evidence[i] - centre[i]) / spread[i]))
    inner = np.empty(units)
    for u in range(units):
        total = bias[u]
        for i in range(count):
            total += hidden[u, i] * value[i]
        inner[u] = total
    bend(inner)
    total = out[units]
    for u in range(units):
        total += out[u] * inner[u]
    return float(total)


@inner_kernel
def bend(values: Vector) -> None:
    """The hyperbolic tangent of every value, in place, to 1e-15: all at once, where the usual function takes one by one.

    By exp(-2 |x|) = 2^-k exp(-r), r within half of log 2, the power of two written as the bits of a number.
    """
    count = values.shape[0]
    bits, rests = np.empty(count, np.int64), np.empty(count)
    for i in range(count):
        away = min(40.0, 2.0 * abs(values[i]))
        times = np.int64(away * INVERSE_LOG_2 + 0.5)
        bits[i] = (1023 - times) << 52
        rests[i] = times * LOG_2 - away
    powers = bits.view(np.float64)
    for i in range(count):
        x = rests[i]
        # Taylor's series: the next term is under 1e-16
        series = 1.0 + x / 13.0
        series = 1.0 + series * x * (1.0 / 12.0)
        series = 1.0 + series * x * (1.0 / 11.0)
        series = 1.0 + series * x * (1.0 / 10.0)
        series = 1.0 + series * x * (1.0 / 9.0)
        series = 1.0 + series * x * (1.0 / 8.0)
        series = 1.0 + series * x * (1.0 / 7.0)
        series = 1.0 + series * x * (1.0 / 6.0)
        series = 1.0 + series * x * 0.2
        series = 1.0 + series * x * 0.25
        series = 1.0 + series * x * (1.0 / 3.0)
        series = 1.0 + series * x * 0.5
        least = (1.0 + series * x) * powers[i]
        size = (1.0 - least) / (1.0 + least)
        values[i] = size if values[i] > 0.0 else -size
