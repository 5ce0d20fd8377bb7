"""Weights are checked as they are read, and weigh as a plain network does."""

from __future__ import annotations

import copy
import json
from importlib import resources
from typing import Any

import numpy as np
import pytest

from sidekeep.dsp.impulses.evidence.collect import EVIDENCE, NEAR_EVIDENCE, STEREO_ONLY
from sidekeep.dsp.impulses.evidence.network import LIMIT, bend, read_weights, weigh_evidence
from sidekeep.dsp.impulses.evidence.weights import FILE, fitted_weights
from sidekeep.errors import ParameterError


@pytest.fixture
def held() -> dict[str, Any]:
    """The delivered file."""
    text = resources.files("sidekeep.dsp.impulses.evidence").joinpath(FILE).read_text("utf-8")
    return dict(json.loads(text))


def test_a_network_weighs_as_its_formula_says() -> None:
    rng = np.random.default_rng(1)
    network = fitted_weights().stereo
    for _ in range(5):
        row = network.centre + 4.0 * network.spread * rng.standard_normal(len(EVIDENCE))
        value = np.clip((row - network.centre) / network.spread, -LIMIT, LIMIT)
        plain = np.tanh(network.hidden @ value + network.bias) @ network.out[:-1] + network.out[-1]
        assert weigh_evidence(row, network) == pytest.approx(float(plain), abs=1e-9)


def test_what_a_network_does_not_ask_for_weighs_nothing() -> None:
    weights = fitted_weights()
    for network, deaf in ((weights.mono, STEREO_ONLY), (weights.screen, EVIDENCE[len(NEAR_EVIDENCE) :])):
        row = network.centre.copy()
        other = row.copy()
        other[[EVIDENCE.index(word) for word in deaf]] = 7.0
        assert weigh_evidence(row, network) == weigh_evidence(other, network)


def test_the_order_in_the_file_does_not_matter(held: dict[str, Any]) -> None:
    turned = copy.deepcopy(held)
    network = turned["networks"]["stereo"]
    for word in ("evidence", "centre", "spread"):
        network[word] = network[word][::-1]
    network["hidden"] = [row[::-1] for row in network["hidden"]]
    one, two = (read_weights(x, EVIDENCE, NEAR_EVIDENCE).stereo for x in (held, turned))
    for a, b in zip(one, two, strict=True):
        np.testing.assert_array_equal(a, b)


def spoil_names(network: dict[str, Any]) -> None:
    network["evidence"][0] = "colour"


def spoil_shape(network: dict[str, Any]) -> None:
    network["hidden"] = [row[1:] for row in network["hidden"]]


def spoil_numbers(network: dict[str, Any]) -> None:
    network["out"][0] = float("nan")


def spoil_spread(network: dict[str, Any]) -> None:
    network["spread"][0] = 0.0


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (spoil_names, "ask for colour"),
        (spoil_shape, "hidden has"),
        (spoil_numbers, "out has"),
        (spoil_spread, "no spread at all"),
    ],
)
def test_weights_that_do_not_fit_are_refused(held: dict[str, Any], spoil: Any, told: str) -> None:
    spoil(held["networks"]["mono"])
    with pytest.raises(ParameterError, match=told):
        read_weights(held, EVIDENCE, NEAR_EVIDENCE)


def test_the_screen_may_ask_the_near_evidence_only(held: dict[str, Any]) -> None:
    held["networks"]["screen"] = held["networks"]["mono"]
    with pytest.raises(ParameterError, match="the screen weights ask for"):
        read_weights(held, EVIDENCE, NEAR_EVIDENCE)


def test_a_network_that_is_missing_and_a_share_that_is_none_are_told(held: dict[str, Any]) -> None:
    held["share"] = 1.0
    with pytest.raises(ParameterError, match="share of damage is 1"):
        read_weights(held, EVIDENCE, NEAR_EVIDENCE)
    del held["networks"]["mono_edges"]
    with pytest.raises(ParameterError, match="lack mono_edges"):
        read_weights(held, EVIDENCE, NEAR_EVIDENCE)


def test_many_hyperbolic_tangents_are_those_of_numpy() -> None:
    values = np.concatenate(
        [np.linspace(-60.0, 60.0, 4001), np.logspace(-12.0, 2.0, 400), [0.0, -1e300, 1e300]]
    )
    got = values.copy()
    bend(got)
    np.testing.assert_allclose(got, np.tanh(values), rtol=0.0, atol=5e-16)
