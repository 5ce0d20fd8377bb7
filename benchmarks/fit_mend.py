"""Fit the weights of the evidence (``dsp/impulses/evidence/weights.json``) and write the card that says how.

    ./run fit [--edges] [--minutes M] [--write | --out FILE]

The material is ``fit_material``'s, of packages whose version and hash are pinned: another one is an error. Networks of one hidden
layer of tanh units are fitted by Adam (Kingma & Ba, 2015) to the weighted cross-entropy: the first judge with all the evidence;
the same without what needs a second channel, on the sums of channels as well; a smaller one with the near evidence alone, to
screen with. Then the second judge, which knows the edges of music, on what the first lets pass, sounds with edges among it. The
loss on the files held out decides: between steps, between seeds, and, with ``--write``, whether the new weights replace the old
at all; ``--out`` writes them to a file of their own whatever the loss says, to be tried on the benches. ``--edges`` fits the
second judge anew and keeps the first. ``--minutes M`` stops collecting after M minutes with what there is by then: the pieces
come in an order in which every stretch has its share of every kind, and the card says how many there were. Weights of a part are
written like any others, if those they replace are no better on what was held out of that part, and if enough was held out to
tell.
"""

from __future__ import annotations

import argparse
import itertools
import json
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchmarks.fit_material import (
    EDGY_CLEAN,
    EDGY_PRESSED,
    HELD_OUT,
    MADE,
    OPEN_AT,
    SEQUENCED_CLEAN,
    SEQUENCED_PRESSED,
    Job,
    Sample,
    collect,
    jobs,
)
from benchmarks.real_music import FITTED, PACKAGES, PINNED, PRESSED, fetch
from sidekeep.dsp.impulses.evidence.collect import EDGES_ODDS, EVIDENCE, NEAR_EVIDENCE, STEREO_ONLY
from sidekeep.dsp.impulses.evidence.network import LIMIT, NAMES, Network, read_weights
from sidekeep.dsp.impulses.evidence.weights import FILE

Floats = NDArray[np.float64]
SEEDS = (0, 1)
BATCH = 2048
LOOK_EVERY = 1000
"""Steps between two looks at the held-out loss."""
PROCESSES = 2
DIGITS = 4
SHRINK = 2e-5
"""Weight decay."""
LEAST_HELD_OUT = 500
"""Candidates that are damage, and as many that are none, that must be held out for the loss to tell anything: where one in five
is wrong, so many say how many are to a tenth of it, and no closer. Networks that differ by less are told apart by chance."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """One network: what it is asked, its size, how long it is fitted, and on what."""

    evidence: tuple[str, ...]
    units: int = 48
    steps: int = 14_000
    mono: bool = True
    """Whether takes of one channel are among its material."""
    judged_by: str = ""
    """The network whose passed candidates it is fitted on: then sounds with edges are among its material."""


MONO_EVIDENCE = tuple(word for word in EVIDENCE if word not in STEREO_ONLY)
FIRST = {
    "stereo": Plan(evidence=EVIDENCE, mono=False),
    "mono": Plan(evidence=MONO_EVIDENCE),
    "screen": Plan(evidence=NEAR_EVIDENCE, units=16, steps=8_000),
}
SECOND = {
    "stereo_edges": Plan(evidence=EVIDENCE, units=24, steps=6_000, mono=False, judged_by="stereo"),
    "mono_edges": Plan(evidence=MONO_EVIDENCE, units=24, steps=6_000, judged_by="mono"),
}
PLANS = {**FIRST, **SECOND}
EDGES_CROWD = 1500.0
"""False candidates of one piece weigh no more than so many in the material of the second judge."""


@dataclass(frozen=True)
class Rows:
    """Candidates of many samples."""

    evidence: Floats
    damage: Floats
    weight: Floats

    @classmethod
    def of(cls, samples: Sequence[Sample], plan: Plan, judge: Network | None, *, held_out: bool) -> Rows:
        """Those for a plan on one side of the division; ``judge`` is the network it is judged by."""
        parts = []
        for sample in samples:
            if sample.held_out != held_out or (judge is None and sample.what == "edgy"):
                continue
            rows = np.ones(len(sample.mono), bool) if plan.mono else ~sample.mono
            evidence, damage, weight = sample.evidence[rows], sample.damage[rows], sample.weight[rows]
            if judge is not None:
                passed = odds_of(judge, evidence) > EDGES_ODDS
                evidence, damage, weight = evidence[passed], damage[passed], weight[passed]
                crowd = float(weight[damage == 0.0].sum())
                if sample.what in MADE and crowd > EDGES_CROWD:
                    weight = np.where(damage == 0.0, weight * EDGES_CROWD / crowd, weight)
            parts.append((evidence, damage, weight))
        return cls(*(np.concatenate([part[k] for part in parts]) for k in range(3)))

    @property
    def share(self) -> float:
        """Share of damage by weight."""
        return round(float((self.weight * self.damage).sum() / self.weight.sum()), DIGITS)

    def loss_nats(self, network: Network) -> float:
        """Weighted cross-entropy of a network, in nats a candidate."""
        odds = odds_of(network, self.evidence)
        wrong = np.logaddexp(0.0, np.where(self.damage == 1.0, -odds, odds))
        return float(np.sum(self.weight * wrong) / self.weight.sum())


def odds_of(network: Network, evidence: Floats) -> Floats:
    """Log odds of rows of evidence."""
    odds = [np.empty(0)]
    for first in range(0, len(evidence), 1 << 16):
        value = (evidence[first : first + (1 << 16)] - network.centre) / network.spread
        hidden = np.tanh(np.clip(value, -LIMIT, LIMIT) @ network.hidden.T + network.bias)
        odds.append(hidden @ network.out[:-1] + network.out[-1])
    return np.concatenate(odds)


def spread_out(held: dict[str, Any]) -> Network:
    """The network of a plan as the mender would read it, whichever it is."""
    parts = dict.fromkeys(NAMES, held)
    return read_weights({"share": 0.5, "edges_share": 0.5, "networks": parts}, EVIDENCE, EVIDENCE).stereo


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
            loss = judge.loss_nats(spread_out(held))
            if loss < best[0]:
                best = loss, held
    return best


def fit_all(
    samples: Sequence[Sample], present: dict[str, Any], *, edges_only: bool = False
) -> tuple[dict[str, Any], dict[str, dict[str, float]]]:
    """The share and the networks as the file holds them, and the losses of each that was fitted.

    ``present`` is the content of the file so far; with ``edges_only`` its first judges stay.
    """
    held = {key: present[key] for key in ("share", "edges_share")}
    held["networks"] = dict(present["networks"])
    losses: dict[str, dict[str, float]] = {}
    if not edges_only:
        rows = Rows.of(samples, FIRST["stereo"], None, held_out=False)
        held["share"] = rows.share
    for name, plan in SECOND.items() if edges_only else PLANS.items():
        by = spread_out(held["networks"][plan.judged_by]) if plan.judged_by else None
        rows, judge = (Rows.of(samples, plan, by, held_out=held_out) for held_out in (False, True))
        if name == "stereo_edges":
            held["edges_share"] = rows.share
        # where there was no second judge before, the first one judged alone
        before = present["networks"].get(name) or held["networks"][plan.judged_by]
        tried = [fit(plan, rows, judge, seed) for seed in SEEDS]
        loss, held["networks"][name] = min(tried, key=lambda one: one[0])
        losses[name] = {
            "fitted": round(rows.loss_nats(spread_out(held["networks"][name])), 5),
            "held_out": round(loss, 5),
            "held_out_other_seed": round(max(one[0] for one in tried), 5),
            "held_out_before": round(judge.loss_nats(spread_out(before)), 5),
            "candidates": len(rows.damage),
            "candidates_held_out": len(judge.damage),
            "damage_held_out": int(judge.damage.sum()),
        }
        print(f"{name}: {losses[name]}", flush=True)
    return held, losses


def mixed(listed: Sequence[Job], seed: int = 0) -> list[Job]:
    """The jobs in an order in which every stretch has its share of every kind, those of a kind drawn at random."""
    kinds: defaultdict[str, list[Job]] = defaultdict(list)
    for job in listed:
        kinds[job.what].append(job)
    rng = np.random.default_rng(seed)
    placed = []
    for name, jobs_of in sorted(kinds.items()):
        for place, at in enumerate(rng.permutation(len(jobs_of))):
            placed.append(((place + 0.5) / len(jobs_of), name, jobs_of[at]))
    return [job for _, _, job in sorted(placed, key=lambda one: one[:2])]


def collect_within(listed: Sequence[Job], minutes: float | None) -> tuple[list[Job], list[Sample]]:
    """The jobs, in order, that could be done in so many minutes (all with None), and what came of them."""
    stop_s = np.inf if minutes is None else time.monotonic() + 60.0 * minutes
    done: list[Job] = []
    samples: list[Sample] = []
    waiting = iter(listed)
    with ProcessPoolExecutor(PROCESSES) as pool:
        running = [(job, pool.submit(collect, job)) for job in itertools.islice(waiting, 2 * PROCESSES)]
        while running:
            job, future = running.pop(0)
            samples.append(future.result())
            done.append(job)
            if time.monotonic() < stop_s:
                running += [(job, pool.submit(collect, job)) for job in itertools.islice(waiting, 1)]
    return done, samples


def card(
    listed: Sequence[Job],
    samples: Sequence[Sample],
    losses: dict[str, dict[str, float]],
    before: dict[str, Any],
    *,
    made_by: str = "./run fit",
    of: int | None = None,
) -> dict[str, Any]:
    """How the networks in ``losses`` came about; what ``before``, the present card, says of the others goes with it.

    ``made_by``: the command. ``of``: how many pieces there are, where ``listed`` is a part of them.
    """
    commit = subprocess.run(["git", "rev-parse", "HEAD"], capture_output=True, text=True, check=False)
    packages = [PACKAGES[kind] for kind in (*PRESSED, *FITTED)]
    counts = Counter(job.what for job in listed)
    kept = {} if len(losses) == len(NAMES) else {"before": before}
    part = (
        {}
        if of is None or of == len(listed)
        else {"part": f"{len(listed)} of {of} pieces, in the order of mixed()"}
    )
    return {
        "made_by": made_by,
        **part,
        "fitted": list(losses),
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
            "sequenced_pressed": SEQUENCED_PRESSED,
            "sequenced_clean": SEQUENCED_CLEAN,
            "batch": BATCH,
            "seeds": list(SEEDS),
            "weight_decay": SHRINK,
            "units": {name: plan.units for name, plan in PLANS.items() if name in losses},
            "steps": {name: plan.steps for name, plan in PLANS.items() if name in losses},
        },
        "cross_entropy_nats": losses,
        **kept,
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
        f'{{\n "card": {about},\n "share": {held["share"]},\n "edges_share": {held["edges_share"]},\n "networks": {{\n'
        + ",\n".join(networks)
        + "\n }\n}\n"
    )


def too_few(losses: dict[str, dict[str, float]]) -> list[str]:
    """The networks whose held-out candidates are too few of either kind to tell whether they are better."""
    return [
        name
        for name, loss in losses.items()
        if min(loss["damage_held_out"], loss["candidates_held_out"] - loss["damage_held_out"])
        < LEAST_HELD_OUT
    ]


def asked_words(asked: argparse.Namespace) -> list[str]:
    """The options that bear on what is fitted: where it is written to is left out."""
    edges = ["--edges"] if asked.edges else []
    return edges if asked.minutes is None else [*edges, "--minutes", f"{asked.minutes:g}"]


def main() -> int:
    """Collect, fit, report, and with ``--write`` replace weights that are worse on what was held out."""
    parser = argparse.ArgumentParser(
        prog="./run fit", description="Fit the weights of the mender's evidence anew."
    )
    parser.add_argument("--edges", action="store_true", help="the second judge only")
    parser.add_argument(
        "--minutes", type=float, help="collect for so long at most (all the material without)"
    )
    parser.add_argument(
        "--write", action="store_true", help="replace the weights if the new ones are no worse"
    )
    parser.add_argument(
        "--out", metavar="FILE", type=Path, help="write the new weights here, and replace none"
    )
    asked = parser.parse_args()
    if asked.write and asked.out:
        parser.error("--out writes beside the weights, --write over them: one of the two")
    if asked.minutes is not None and not asked.minutes > 0.0:
        parser.error(f"--minutes {asked.minutes:g} must be above 0")
    fetch((*PRESSED, *FITTED), pinned=True)
    everything = mixed(jobs())
    listed, samples = collect_within(everything, asked.minutes)
    print(
        f"{len(listed)} of {len(everything)} pieces collected, {sum(s.held_out for s in samples)} held out",
        flush=True,
    )
    if not 0 < sum(s.held_out for s in samples) < len(samples):
        print("too few pieces to hold any out: give it more minutes", file=sys.stderr)
        return 2
    target = Path(__file__).parents[1] / "src" / "sidekeep" / "dsp" / "impulses" / "evidence" / FILE
    present = json.loads(target.read_text("utf-8"))
    held, losses = fit_all(samples, present, edges_only=asked.edges)
    made_by = " ".join(["./run fit", *asked_words(asked)])
    told = card(listed, samples, losses, present["card"], made_by=made_by, of=len(everything))
    held = {"card": told, **held}
    print(json.dumps(held["card"], indent=1))
    if asked.out:
        asked.out.write_text(as_text(held), encoding="utf-8")
        print(f"wrote {asked.out}")
    if not asked.write:
        return 0
    if few := too_few(losses):
        print(
            f"not written: {', '.join(few)} had fewer than {LEAST_HELD_OUT} candidates of damage, or of music, "
            "held out to be judged by; give it more minutes",
            file=sys.stderr,
        )
        return 1
    if worse := [name for name, loss in losses.items() if loss["held_out"] > loss["held_out_before"]]:
        print(f"not written: {', '.join(worse)} is worse than before on what was held out", file=sys.stderr)
        return 1
    target.write_text(as_text(held), encoding="utf-8")
    print(f"wrote {target.name}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
