"""The fit of the mender's evidence: what is held out decides, and what is written is read back as it was."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks import fit_mend
from benchmarks.edgy_sounds import SOURCES, edgy_sound
from benchmarks.fit_material import Job, Sample, jobs
from benchmarks.real_music import PACKAGES, PINNED, STAMP, check_pinned

from sidekeep.dsp.impulses.evidence.collect import EVIDENCE, NEAR_EVIDENCE
from sidekeep.dsp.impulses.evidence.network import read_weights
from sidekeep.errors import AudioFileError


def made_up(seed: int, held_out: bool) -> Sample:
    """Candidates whose first two numbers tell damage from music, and whose others tell nothing."""
    rng = np.random.default_rng(seed)
    evidence = rng.standard_normal((600, len(EVIDENCE)))
    damage = (evidence[:, 0] + evidence[:, 1] > 0.3).astype(np.float64)
    return Sample(
        evidence=evidence, damage=damage, weight=np.ones(600), mono=rng.random(600) < 0.3, held_out=held_out
    )


def test_a_fit_learns_what_holds_on_what_was_held_out(monkeypatch: pytest.MonkeyPatch) -> None:
    plans = {name: replace(plan, units=4, steps=500) for name, plan in fit_mend.PLANS.items()}
    monkeypatch.setattr(fit_mend, "PLANS", plans)
    monkeypatch.setattr(fit_mend, "BATCH", 64)
    monkeypatch.setattr(fit_mend, "SEEDS", (0,))
    samples = [made_up(seed, seed == 3) for seed in range(4)]
    held, losses = fit_mend.fit_all(samples)
    for name, loss in losses.items():
        assert loss["held_out"] < 0.45, name
        assert loss["held_out"] < loss["held_out_before"]
    listed = [Job(what="clean", kind="folk", number=1)]
    held["card"] = fit_mend.card(listed, samples, losses)
    back = json.loads(fit_mend.as_text(held))
    assert back == json.loads(json.dumps(held))
    weights = read_weights(back, EVIDENCE, NEAR_EVIDENCE)
    judge = fit_mend.Rows.of(samples, held_out=True, mono=False)
    assert judge.loss_nats(weights.stereo) == pytest.approx(losses["stereo"]["held_out"], abs=1e-5)
    assert back["card"]["candidates"] == 2400
    assert back["card"]["candidates_held_out"] == 600


def test_no_piece_of_music_is_on_both_sides(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchmarks.fit_material.fetch", lambda kinds: [])
    monkeypatch.setattr("benchmarks.fit_material.list_files", lambda kind: [None] * 20)
    listed = jobs()
    sides: dict[tuple[str, int], set[bool]] = {}
    for job in listed:
        sides.setdefault((job.kind, job.number or job.seed), set()).add(job.held_out)
    assert all(len(side) == 1 for side in sides.values())
    share = sum(job.held_out for job in listed) / len(listed)
    assert 0.05 < share < 0.35
    assert {job.what for job in listed if job.held_out} == {"pressed", "other", "clean", "null", "edgy"}


def test_every_source_of_edgy_sounds_sounds() -> None:
    for seed in range(len(SOURCES)):
        sound = edgy_sound(44_100, 0.3, seed)
        assert sound.shape == (13_230, 2)
        assert np.isfinite(sound).all()
        assert np.abs(sound).max() == pytest.approx(10.0 ** (-3.0 / 20.0))


def test_music_of_another_version_is_refused(tmp_path: Path) -> None:
    package = "ufoai-music"
    assert set(PACKAGES.values()) == set(PINNED)
    with pytest.raises(AudioFileError, match="does not say"):
        check_pinned(package, tmp_path)
    version, digest = PINNED[package]
    (tmp_path / STAMP).write_text(json.dumps({"version": version, "sha256": digest}))
    check_pinned(package, tmp_path)
    (tmp_path / STAMP).write_text(json.dumps({"version": version, "sha256": "0" * 64}))
    with pytest.raises(AudioFileError, match="fitted on"):
        check_pinned(package, tmp_path)
