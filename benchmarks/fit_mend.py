"""Fit the weights of the evidence (``dsp/impulses/evidence/weights.json``) and write the card that says how.

    ./run fit [--part N] [--write]

The material is ``fit_material``'s, of packages whose version and hash are pinned: another one is an error. Three networks of one
hidden layer of tanh units are fitted by Adam (Kingma & Ba, 2015) to the weighted cross-entropy: with all the evidence; without
what needs a second channel, on the sums of channels as well; and a smaller one with the near evidence alone, to screen with. The
loss on the files held out decides: between steps, between seeds, and, with ``--write``, whether the new weights replace the
old at all.
``--part N`` takes every Nth piece of material only, to try it out; its weights are not written.
Takes about ten minutes of two idle cores.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.fit_material import EDGY_CLEAN, EDGY_PRESSED, HELD_OUT, OPEN_AT, Job, Sample, collect, jobs
from benchmarks.real_music import FITTED, PACKAGES, PINNED, PRESSED, fetch
from sidekeep.dsp.impulses.evidence.collect import EVIDENCE, NEAR_EVIDENCE, STEREO_ONLY
from sidekeep.dsp.impulses.evidence.network import LIMIT, Network, read_weights
from sidekeep.dsp.impulses.evidence.weights import FILE, fitted_weights

Floats = NDArray[np.float64]
SEEDS = (0, 1)
BATCH = 2048
LOOK_EVERY = 1000
"""Steps between two looks at the held-out loss."""
DIGITS = 4
SHRINK = 2e-5
"""Weight decay."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """One network: what it is asked, its size, and how long it is fitted."""

    evidence: tuple[str, ...]
    units: int = 48
    steps: int = 14_000
    mono: bool = True
    """Whether takes of one channel are among its material."""


PLANS = {
    "stereo": Plan(evidence=EVIDENCE, mono=False),
    "mono": Plan(evidence=tuple(word for word in EVIDENCE if word not in STEREO_ONLY)),
    "screen": Plan(evidence=NEAR_EVIDENCE, units=16, steps=8_000),
}


@dataclass(frozen=True)
class Rows:
    """Candidates of many samples."""

    evidence: Floats
    damage: Floats
    weight: Floats

    @classmethod
    def of(cls, samples: Sequence[Sample], *, held_out: bool, mono: bool) -> Rows:
        """Those of one side of the division."""
        kept = [
            (s, np.ones(len(s.mono), bool) if mono else ~s.mono) for s in samples if s.held_out == held_out
        ]
        return cls(
            np.concatenate([s.evidence[rows] for s, rows in kept]),
            np.concatenate([s.damage[rows] for s, rows in kept]),
            np.concatenate([s.weight[rows] for s, rows in kept]),
        )

    def loss_nats(self, network: Network) -> float:
        """Weighted cross-entropy of a network, in nats a candidate."""
        value = np.clip((self.evidence - network.centre) / network.spread, -LIMIT, LIMIT)
        odds = np.tanh(value @ network.hidden.T + network.bias) @ network.out[:-1] + network.out[-1]
        wrong = np.logaddexp(0.0, np.where(self.damage == 1.0, -odds, odds))
        return float(np.sum(self.weight * wrong) / self.weight.sum())


def spread_out(plan: Plan, held: dict[str, Any]) -> Network:
    """The network of a plan as the mender would read it, whichever of the three it is."""
    parts = dict.fromkeys(("stereo", "mono", "screen"), held)
    return read_weights({"share": 0.5, "networks": parts}, EVIDENCE, EVIDENCE).stereo


def fit(plan: Plan, rows: Rows, judge: Rows, seed: int) -> tuple[float, dict[str, Any]]:
    """The least held-out loss in nats, and the network that had it."""
    columns = [EVIDENCE.index(word) for word in plan.evidence]
    rng = np.random.default_rng(seed)
    x = rows.evidence[:, columns]
    centre, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = np.clip((x - centre) / spread, -LIMIT, LIMIT).astype(np.float32)
    y = rows.damage.astype(np.float32)
    share = np.cumsum(rows.weight / rows.weight.sum())
    params = [
        rng.standard_normal((len(columns), plan.units)).astype(np.float32) / np.sqrt(len(columns)),
        np.zeros(plan.units, np.float32),
        rng.standard_normal(plan.units).astype(np.float32) / np.sqrt(plan.units),
        np.zeros(1, np.float32),
    ]
    first, second = ([np.zeros_like(p) for p in params] for _ in range(2))
    best: tuple[float, dict[str, Any]] = (np.inf, {})
    for step in range(1, plan.steps + 1):
        pick = np.minimum(np.searchsorted(share, rng.random(BATCH)), len(z) - 1)
        hidden = np.tanh(z[pick] @ params[0] + params[1])
        odds = hidden @ params[2] + params[3]
        slope = (1.0 / (1.0 + np.exp(-odds)) - y[pick]) / BATCH
        inner = np.outer(slope, params[2]) * (1.0 - hidden * hidden)
        slopes = [
            z[pick].T @ inner + SHRINK * params[0],
            inner.sum(axis=0),
            hidden.T @ slope + SHRINK * params[2],
            slope.sum(keepdims=True),
        ]
        rate = 1.5e-3 * (1.0 + np.cos(np.pi * step / plan.steps)) + 1e-5
        for k, gradient in enumerate(slopes):
            first[k] = 0.9 * first[k] + 0.1 * gradient
            second[k] = 0.999 * second[k] + 0.001 * gradient**2
            moved = (first[k] / (1.0 - 0.9**step)) / (np.sqrt(second[k] / (1.0 - 0.999**step)) + 1e-8)
            params[k] = params[k] - rate * moved
        if (step % LOOK_EVERY == 0 and 2 * step >= plan.steps) or step == plan.steps:
            held = {
                "evidence": list(plan.evidence),
                "centre": centre.round(DIGITS).tolist(),
                "spread": np.maximum(spread, 10.0**-DIGITS).round(DIGITS).tolist(),
                "hidden": params[0].T.astype(float).round(DIGITS).tolist(),
                "bias": params[1].astype(float).round(DIGITS).tolist(),
                "out": np.append(params[2], params[3]).astype(float).round(DIGITS).tolist(),
            }
            loss = judge.loss_nats(spread_out(plan, held))
            if loss < best[0]:
                best = loss, held
    return best


def fit_all(samples: Sequence[Sample]) -> tuple[dict[str, Any], dict[str, dict[str, float]]]:
    """The share and the networks as the file holds them, and the losses of each."""
    stereo = Rows.of(samples, held_out=False, mono=False)
    share = float((stereo.weight * stereo.damage).sum() / stereo.weight.sum())
    networks: dict[str, Any] = {}
    losses: dict[str, dict[str, float]] = {}
    for name, plan in PLANS.items():
        rows, judge = (Rows.of(samples, held_out=held_out, mono=plan.mono) for held_out in (False, True))
        tried = [fit(plan, rows, judge, seed) for seed in SEEDS]
        loss, networks[name] = min(tried, key=lambda one: one[0])
        losses[name] = {
            "fitted": round(rows.loss_nats(spread_out(plan, networks[name])), 5),
            "held_out": round(loss, 5),
            "held_out_other_seed": round(max(one[0] for one in tried), 5),
            "held_out_before": round(judge.loss_nats(getattr(fitted_weights(), name)), 5),
        }
        print(f"{name}: {losses[name]}", flush=True)
    return {"share": round(share, DIGITS), "networks": networks}, losses


def card(
    listed: Sequence[Job], samples: Sequence[Sample], losses: dict[str, dict[str, float]]
) -> dict[str, Any]:
    """How the weights came about."""
    commit = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=False)
    packages = [PACKAGES[kind] for kind in (*PRESSED, *FITTED)]
    counts = Counter(job.what for job in listed)
    return {
        "made_by": "./run fit",
        "commit": commit.stdout.strip() or "unknown",
        "material": {name: dict(zip(("version", "sha256"), PINNED[name], strict=True)) for name in packages},
        "pieces": dict(sorted(counts.items())),
        "pieces_held_out": sum(job.held_out for job in listed),
        "candidates": int(sum(len(s.damage) for s in samples)),
        "damage": int(sum(s.damage.sum() for s in samples)),
        "candidates_held_out": int(sum(len(s.damage) for s in samples if s.held_out)),
        "settings": {
            "open_at_scales": OPEN_AT,
            "looks": 2,
            "held_out_every": HELD_OUT,
            "edgy_pressed": EDGY_PRESSED,
            "edgy_clean": EDGY_CLEAN,
            "batch": BATCH,
            "seeds": list(SEEDS),
            "weight_decay": SHRINK,
            "units": {name: plan.units for name, plan in PLANS.items()},
            "steps": {name: plan.steps for name, plan in PLANS.items()},
        },
        "cross_entropy_nats": losses,
    }


def as_text(held: dict[str, Any]) -> str:
    """A file of weights, a row of numbers a line."""
    networks = []
    for name, network in held["networks"].items():
        lines = []
        for word, values in network.items():
            if word == "hidden":
                rows = ",\n    ".join(json.dumps(row) for row in values)
                lines.append(f'   "hidden": [\n    {rows}\n   ]')
            else:
                lines.append(f'   "{word}": {json.dumps(values)}')
        networks.append(f'  "{name}": {{\n' + ",\n".join(lines) + "\n  }")
    about = json.dumps(held["card"], indent=1).replace("\n", "\n ")
    return (
        f'{{\n "card": {about},\n "share": {held["share"]},\n "networks": {{\n'
        + ",\n".join(networks)
        + "\n }\n}\n"
    )


def main() -> int:
    """Collect, fit, report, and with ``--write`` replace weights that are worse on what was held out."""
    words = sys.argv[1:]
    part = int(words[words.index("--part") + 1]) if "--part" in words else 1
    fetch((*PRESSED, *FITTED), pinned=True)
    listed = jobs()[::part]
    with ProcessPoolExecutor(2) as pool:
        samples = list(pool.map(collect, listed))
    held, losses = fit_all(samples)
    held = {"card": card(listed, samples, losses), **held}
    print(json.dumps(held["card"], indent=1))
    if "--write" not in words:
        return 0
    if part != 1:
        print("weights of a part of the material are not written", file=sys.stderr)
        return 2
    if worse := [name for name, loss in losses.items() if loss["held_out"] > loss["held_out_before"]]:
        print(f"not written: {', '.join(worse)} is worse than before on what was held out", file=sys.stderr)
        return 1
    target = Path(__file__).parents[1] / "src" / "sidekeep" / "dsp" / "impulses" / "evidence" / FILE
    target.write_text(as_text(held), encoding="utf-8")
    print(f"wrote {target.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
