"""Fit the weights of the evidence (``dsp/impulses/evidence_weights.py``) on material none of which is used to judge.

    .venv/bin/python -m benchmarks.fit_mend [--write]

Candidates of pressed sides, of ``other_damage``, of the null set (other seeds than the bench's) and of clean music are
labelled by the truth: damage where the disturbance is over three times the local scale, none where it is under 0.3
times, left out between. A network of one hidden layer (48 tanh units) is fitted by Adam (Kingma & Ba, 2015) to the
weighted cross-entropy, once with all the evidence and once without what needs a second channel; a smaller one with the
near evidence alone, to screen with.
Music: the files ``judged`` leaves free, and the kinds of ``real_music.FITTED``, as they are and at other speeds and
balances. Takes six minutes on two cores.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from benchmarks.mend_cases import JUDGED, clean_music, other_damage
from benchmarks.real_music import FITTED, fetch, list_files, load_pieces
from sidekeep.dsp.impulses.candidates import CELL
from sidekeep.dsp.impulses.evidence import (
    EVIDENCE,
    NEAR_EVIDENCE,
    collect_far_evidence,
    collect_near_evidence,
)
from sidekeep.dsp.impulses.mending import Channel
from sidekeep.press.nullset import BORROWED, SOUNDS, null_sound
from sidekeep.press.side import PRESETS, Pressed, press_side

Floats = NDArray[np.float64]
RATE_HZ = 44_100
STEREO_ONLY = ("conditional", "likeness", "partner")
UNITS, STEPS, BATCH = 48, 14_000, 2048
SCREEN_UNITS, SCREEN_STEPS = 16, 8_000
OPEN_AT = 4.4
JOB_SEED = 20
HARD = ("electronic-clicks", "applause", "harpsichord", "castanets", "solo-voice")
"""Sounds of the null set that are easily taken for damage: more of them."""
Job = tuple[str, str, int, str, int]
Sample = tuple[Floats, Floats, Floats]


def judged(kind: str, first: int) -> bool:
    """Files the bench looks at."""
    taken = {(case.kind, case.first) for case in JUDGED} | {("orchestral", 15), ("electronic", 9)}
    return (kind, first) in taken or first % 3 == 1


def candidates(audio: Floats, rate_factor: int) -> list[tuple[NDArray[np.int64], Floats, Floats]]:
    """(spans, evidence, scale) of each channel of (frames, channels) audio."""
    planes = np.ascontiguousarray(audio.T)
    found = []
    for index, plane in enumerate(planes):
        channel = Channel(plane, rate_factor)
        channel.look(OPEN_AT)
        other = planes[1 - index] if len(planes) == 2 else np.empty(0)
        evidence = np.empty((len(channel.spans), len(EVIDENCE)))
        for row, (first, last, peak) in enumerate(channel.spans):
            model = channel.models[peak // channel.hop]
            level, out = channel.scale[peak // CELL], evidence[row]
            collect_near_evidence(
                plane,
                *channel.errors,
                level,
                model,
                float(model @ model),
                peak,
                first,
                last,
                rate_factor,
                channel.tests[row],
                out,
            )
            collect_far_evidence(
                plane, other, channel.errors[0], level, model, peak, first, last, rate_factor, out
            )
        found.append((channel.spans, evidence, channel.scale))
    return found


def press(kind: str, first: int, preset: str, seed: int, rate_factor: int) -> Pressed:
    """A short side with more dust and pops than its preset has: the rare kinds must be learnt too."""
    rate_hz = (RATE_HZ, 96_000)[rate_factor - 1]
    pieces = load_pieces(kind, 1, 30.0, rate_hz, first=first)  # type: ignore[arg-type]
    settings = PRESETS[preset](needle_down_lead_s=0.5, lead_in_s=2.0, needle_up_tail_s=0.5, run_out_turns=1)
    settings = settings.but(
        dust_per_min=2.0 * settings.dust_per_min + 10.0, pops_per_min=settings.pops_per_min + 15.0
    )
    return press_side(pieces, rate_hz=rate_hz, settings=settings, seed=seed)


def varied(music: Floats, seed: int) -> Floats:
    """The same music at another speed, balance and tilt; seed 0 leaves it as it is."""
    if seed == 0:
        return music
    rng = np.random.default_rng(seed)
    music = soxr.resample(music, RATE_HZ, RATE_HZ * np.exp(rng.uniform(-0.3, 0.3)), quality="HQ")
    music = music + rng.uniform(-0.4, 0.6) * music[:, ::-1]
    music[1:] += rng.uniform(-0.3, 1.5) * np.diff(music, axis=0)
    return np.ascontiguousarray(0.5 * music / max(1e-6, float(np.abs(music).max())))


def collect(job: Job) -> Sample:
    """(evidence, labels, weights) of one piece of material."""
    what, kind, first, manner, seed = job
    start, stop, rate_factor = 0, 1 << 60, 1
    if what in ("press", "press at 96 kHz"):
        rate_factor = 2 if what == "press at 96 kHz" else 1
        side = press(kind, first, manner, seed, rate_factor)
        audio, clean = side.audio, side.twin
        start, stop = side.truth.needle_down_frame + 25_000, side.truth.needle_up_frame - 15_000
    elif what == "other":
        noise = {"bare": None, "quiet": -66.0, "loud": -52.0}[manner]
        music = varied(0.5 * clean_music(kind, first, 25.0, RATE_HZ), seed if kind in FITTED else 0)
        per_s = 4.0 if seed % 2 else 12.0
        audio, clean, _ = other_damage(
            music, RATE_HZ, seed, per_s=per_s, noise_dbfs=noise, bits=16 if noise is None else None
        )
    elif what == "null":
        audio = clean = null_sound(kind, RATE_HZ, 20.0, seed)
    else:
        music = clean_music(kind, first, 180.0 if manner == "later" else 60.0, RATE_HZ)
        if manner == "later" and len(music) > 80 * RATE_HZ:
            music = music[60 * RATE_HZ :]
        audio = clean = varied(0.5 * music, seed)
    wrong = np.abs(audio - clean)
    rows, labels = [], []
    for channel, (spans, evidence, scale) in enumerate(candidates(audio, rate_factor)):
        size = np.array([wrong[max(0, a - 2) : b + 2, channel].max() / scale[p // CELL] for a, b, p in spans])
        known = (
            ((size > 3.0) | (size < 0.3)) & (spans[:, 2] > start) & (spans[:, 2] < stop) if len(spans) else []
        )
        rows.append(evidence[known])
        labels.append((size[known] > 3.0).astype(np.float64))
    x, y = np.concatenate(rows), np.concatenate(labels)
    weight = np.where(y == 1.0, np.clip(np.exp(x[:, EVIDENCE.index("test")]) / 6.0, 1.0, 6.0), 1.0)
    weight[y == 1.0] *= min(3.0, 1200.0 / max(1.0, y.sum()))
    weight[y == 0.0] *= min(3.0, 4500.0 / max(1.0, (1.0 - y).sum())) if what == "null" else 3.0
    return x, y, weight


def jobs() -> list[Job]:
    """All the material."""
    free = {
        kind: [n for n in range(1, count + 1) if not judged(kind, n)]
        for kind, count in (("orchestral", 30), ("electronic", 28))
    }
    listed: list[Job] = []
    for kind, numbers in free.items():
        for index, number in enumerate(numbers):
            preset = ("used_lp", "worn_lp", "used_lp", "clean_lp", "bad_78")[index % 5]
            listed.append(("press", kind, number, preset, JOB_SEED + number))
            listed.append(("other", kind, number, ("bare", "quiet", "loud")[index % 3], JOB_SEED + number))
            listed.append(("clean", kind, number, "", 0))
            listed.append(("clean", kind, number, "later", 300 + number))
            other = ("worn_lp", "used_lp")[index % 2]
            listed.append(
                ("press at 96 kHz" if index % 3 == 2 else "press", kind, number, other, 70 + number)
            )
    fetch(tuple(FITTED))
    for kind in FITTED:
        for number in range(1, min(30, len(list_files(kind))) + 1):
            listed.append(("clean", kind, number, "", 100 + number))
            listed.append(("clean", kind, number, "later", 0))
            if number % 3 == 0:
                listed.append(
                    ("press", kind, number, ("used_lp", "worn_lp", "clean_lp")[number % 9 // 3], number)
                )
            elif number % 3 == 1:
                listed.append(
                    ("other", kind, number, ("bare", "quiet", "loud")[number % 9 // 3], 200 + number)
                )
    names = [name for name in SOUNDS if name not in BORROWED]
    for name in names:
        seeds = range(11, 19) if name in HARD else range(11, 13)
        listed += [("null", name, 0, "", seed) for seed in seeds]
    return listed


def fit(
    x: Floats, y: Floats, weight: Floats, units: int = UNITS, steps: int = STEPS
) -> tuple[Floats, Floats, list[Floats]]:
    """(centre, spread, [hidden, bias, out, offset]) of the network."""
    rng = np.random.default_rng(0)
    centre, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    z = np.clip((x - centre) / spread, -5.0, 5.0).astype(np.float32)
    share = np.cumsum(weight / weight.sum())
    params = [
        rng.standard_normal((z.shape[1], units)).astype(np.float32) / np.sqrt(z.shape[1]),
        np.zeros(units, np.float32),
        rng.standard_normal(units).astype(np.float32) / np.sqrt(units),
        np.zeros(1, np.float32),
    ]
    first = [np.zeros_like(p) for p in params]
    second = [np.zeros_like(p) for p in params]
    for step in range(1, steps + 1):
        pick = np.minimum(np.searchsorted(share, rng.random(BATCH)), len(z) - 1)
        hidden = np.tanh(z[pick] @ params[0] + params[1])
        odds = hidden @ params[2] + params[3]
        slope = (1.0 / (1.0 + np.exp(-odds)) - y[pick].astype(np.float32)) / BATCH
        inner = np.outer(slope, params[2]) * (1.0 - hidden * hidden)
        slopes = [
            z[pick].T @ inner + 2e-5 * params[0],
            inner.sum(axis=0),
            hidden.T @ slope + 2e-5 * params[2],
            slope.sum(keepdims=True),
        ]
        rate = 1.5e-3 * (1.0 + np.cos(np.pi * step / steps)) + 1e-5
        for k, gradient in enumerate(slopes):
            first[k] = 0.9 * first[k] + 0.1 * gradient
            second[k] = 0.999 * second[k] + 0.001 * gradient**2
            moved = (first[k] / (1.0 - 0.9**step)) / (np.sqrt(second[k] / (1.0 - 0.999**step)) + 1e-8)
            params[k] = params[k] - rate * moved
    return centre, spread, [p.astype(np.float64) for p in params]


HEAD = '''"""Weights of the evidence in ``dsp.impulses.evidence``, as fitted by ``benchmarks/fit_mend.py``.

One hidden layer of tanh units. Inputs are the numbers of ``EVIDENCE`` (the mono set leaves out what needs a second
channel, the screen knows the near evidence only), scaled by the centre and the spread. The output is the log odds of damage
at the share of damage in the training material, ``TRAINED_SHARE``.
"""

from __future__ import annotations

import numpy as np

# fmt: off
'''


def as_text(name: str, values: Floats) -> str:
    """An array as lines of Python that fit."""
    words = f"{name} = np.array({np.round(values, 4).tolist()})".split(", ")
    lines, line = [], words[0]
    for word in words[1:]:
        if len(line) + len(word) > 104:
            lines.append(line + ",")
            line = "    " + word
        else:
            line += ", " + word
    return "\n".join([*lines, line]) + "\n"


def fitted(samples: list[Sample]) -> str:
    """The module of weights."""
    x, y, weight = (np.concatenate([sample[part] for sample in samples]) for part in range(3))
    share = float((weight * y).sum() / weight.sum())
    print(f"{len(x)} candidates, {int(y.sum())} of them damage; share by weight {share:.3f}")
    text = HEAD
    for name, words, units, steps in (
        ("SCREEN", NEAR_EVIDENCE, SCREEN_UNITS, SCREEN_STEPS),
        ("STEREO", EVIDENCE, UNITS, STEPS),
        ("MONO", tuple(word for word in EVIDENCE if word not in STEREO_ONLY), UNITS, STEPS),
    ):
        columns = [EVIDENCE.index(word) for word in words]
        centre, spread, (hidden, bias, out, offset) = fit(x[:, columns], y, weight, units, steps)
        odds = np.tanh(np.clip((x[:, columns] - centre) / spread, -5, 5) @ hidden + bias) @ out + offset
        loss = float(np.sum(weight * np.logaddexp(0.0, np.where(y == 1.0, -odds, odds))) / weight.sum())
        print(f"{name.lower()}: cross-entropy {loss:.4f} nats")
        wide = len(NEAR_EVIDENCE) if name == "SCREEN" else len(EVIDENCE)
        full_centre, full_spread = np.zeros(wide), np.ones(wide)
        full_hidden = np.zeros((units, wide))
        full_centre[columns], full_spread[columns], full_hidden[:, columns] = centre, spread, hidden.T
        for word, values in (
            ("CENTRE", full_centre),
            ("SPREAD", full_spread),
            ("HIDDEN", full_hidden),
            ("BIAS", bias),
            ("OUT", np.append(out, offset)),
        ):
            text += as_text(f"{name}_{word}", values)
    return text + f"# fmt: on\nTRAINED_SHARE = {share:.4f}\n"


def main() -> None:
    """Collect, fit, report, and with ``--write`` replace the weights."""
    with ProcessPoolExecutor(2) as pool:
        text = fitted(list(pool.map(collect, jobs())))
    if "--write" in sys.argv:
        target = Path(__file__).parents[1] / "src" / "sidekeep" / "dsp" / "impulses" / "evidence_weights.py"
        target.write_text(text, encoding="utf-8")
        print(f"wrote {target.name}")


if __name__ == "__main__":
    main()
