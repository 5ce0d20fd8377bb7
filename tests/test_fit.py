"""The fit of the mender's evidence: what is held out decides, and what is written is read back as it was."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from importlib import resources
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from benchmarks import fit_mend
from benchmarks.edgy_sounds import SOURCES, edgy_sound
from benchmarks.fit_material import MADE, Job, Sample, jobs
from benchmarks.real_music import PACKAGES, PINNED, STAMP, MaterialError, check_pinned
from benchmarks.sequenced_sounds import sequenced_sound

from sidekeep.dsp.impulses.evidence.collect import EDGES_ODDS, EVIDENCE, NEAR_EVIDENCE
from sidekeep.dsp.impulses.evidence.network import NAMES, read_weights
from sidekeep.dsp.impulses.evidence.weights import FILE


def made_up(seed: int, held_out: bool, what: str = "clean") -> Sample:
    """Candidates whose first two numbers tell damage from music, and whose others tell nothing."""
    rng = np.random.default_rng(seed)
    evidence = rng.standard_normal((600, len(EVIDENCE)))
    damage = (evidence[:, 0] + evidence[:, 1] > 0.3).astype(np.float64)
    return Sample(
        evidence=evidence,
        damage=damage,
        weight=np.ones(600),
        mono=rng.random(600) < 0.3,
        held_out=held_out,
        what=what,
    )


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """Short fits; the content of the delivered file."""
    for plans in (fit_mend.PLANS, fit_mend.SECOND):
        for name, plan in plans.items():
            monkeypatch.setitem(plans, name, replace(plan, units=4, steps=500))
    monkeypatch.setattr(fit_mend, "BATCH", 64)
    monkeypatch.setattr(fit_mend, "SEEDS", (0,))
    text = resources.files("sidekeep.dsp.impulses.evidence").joinpath(FILE).read_text("utf-8")
    return dict(json.loads(text))


def test_a_fit_learns_what_holds_on_what_was_held_out(small: dict[str, Any]) -> None:
    samples = [made_up(seed, seed == 3) for seed in range(4)]
    held, losses = fit_mend.fit_all(samples, small)
    assert set(losses) == set(NAMES)
    for name in ("stereo", "mono", "screen"):
        assert losses[name]["held_out"] < 0.45, name
        assert losses[name]["held_out"] < losses[name]["held_out_before"]
    held["card"] = fit_mend.card([Job(what="clean", kind="folk", number=1)], samples, losses, small["card"])
    assert "before" not in held["card"]
    back = json.loads(fit_mend.as_text(held))
    assert back == json.loads(json.dumps(held))
    weights = read_weights(back, EVIDENCE, NEAR_EVIDENCE)
    judge = fit_mend.Rows.of(samples, fit_mend.FIRST["stereo"], None, held_out=True)
    assert judge.loss_nats(weights.stereo) == pytest.approx(losses["stereo"]["held_out"], abs=1e-5)
    assert back["card"]["candidates"] == 2400
    assert back["card"]["candidates_held_out"] == 600


def test_the_second_judge_is_fitted_on_what_the_first_lets_pass(small: dict[str, Any]) -> None:
    samples = [made_up(seed, seed == 3, what="edgy" if seed == 1 else "clean") for seed in range(4)]
    held, losses = fit_mend.fit_all(samples, small, edges_only=True)
    assert set(losses) == {"stereo_edges", "mono_edges"}
    assert held["networks"]["stereo"] == small["networks"]["stereo"]
    plan, judge = fit_mend.SECOND["mono_edges"], fit_mend.spread_out(small["networks"]["mono"])
    rows = fit_mend.Rows.of(samples, plan, judge, held_out=False)
    assert (fit_mend.odds_of(judge, rows.evidence) > EDGES_ODDS).all()
    assert losses["mono_edges"]["candidates"] == len(rows.damage) < 1800
    first = fit_mend.Rows.of(samples, fit_mend.FIRST["mono"], None, held_out=False)
    assert len(first.damage) == 1200
    told = fit_mend.card([], samples, losses, small["card"])
    assert told["before"] == small["card"]
    assert "part" not in told


def test_the_card_names_the_command_and_the_part_it_had_time_for(
    small: dict[str, Any], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``./run fit --edges --minutes`` from the pieces to the card; it stops at the time, and keeps better weights."""
    clock = iter(range(0, 10_000, 20))
    every = [Job(what=what, kind="folk", number=n) for n in range(1, 13) for what in ("clean", "edgy")]
    monkeypatch.setattr(fit_mend, "jobs", lambda: every)
    monkeypatch.setattr(fit_mend, "fetch", lambda *_, **__: None)
    monkeypatch.setattr(fit_mend, "ProcessPoolExecutor", ThreadPoolExecutor)
    monkeypatch.setattr(fit_mend, "time", SimpleNamespace(monotonic=lambda: next(clock)))
    monkeypatch.setattr(fit_mend, "collect", lambda job: made_up(job.number, job.held_out, job.what))
    monkeypatch.setattr("sys.argv", ["fit", "--edges", "--minutes", "3"])
    assert fit_mend.main() == 0
    said = capsys.readouterr().out
    told = json.loads(said[said.index("{\n") :])
    assert told["made_by"] == "./run fit --edges --minutes 3"
    assert told["part"].startswith(f"{told['pieces']['clean'] + told['pieces']['edgy']} of 24 pieces")
    assert abs(told["pieces"]["clean"] - told["pieces"]["edgy"]) <= 1
    assert sum(told["pieces"].values()) < 24
    assert told["fitted"] == ["stereo_edges", "mono_edges"]


def four_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four made-up pieces instead of the material, the last one held out."""
    every = [Job(what="clean", kind="folk", number=n) for n in range(1, 5)]
    monkeypatch.setattr(fit_mend, "jobs", lambda: every)
    monkeypatch.setattr(fit_mend, "fetch", lambda *_, **__: None)
    monkeypatch.setattr(fit_mend, "ProcessPoolExecutor", ThreadPoolExecutor)
    monkeypatch.setattr(fit_mend, "collect", lambda job: made_up(job.number or 0, job.number == 4))


def test_weights_are_not_written_where_too_little_was_held_out_to_tell(
    small: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Better on 600 candidates of one piece is no reason to replace weights; nothing is touched."""
    four_pieces(monkeypatch)
    written: list[object] = []
    monkeypatch.setattr(Path, "write_text", lambda *what, **_: written.append(what))
    monkeypatch.setattr("sys.argv", ["fit", "--write"])
    assert fit_mend.main() == 1
    assert "had fewer than 500" in capsys.readouterr().err
    assert written == []


def test_what_is_enough_is_counted_for_both_kinds() -> None:
    losses = {
        "stereo": {"candidates_held_out": 1_000, "damage_held_out": 500},
        "mono": {"candidates_held_out": 1_000, "damage_held_out": 501},
        "screen": {"candidates_held_out": 9_000, "damage_held_out": 499},
    }
    assert fit_mend.too_few(losses) == ["mono", "screen"]


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
    assert {job.what for job in listed if job.held_out} == {"pressed", "other", "clean", *MADE}


def test_every_source_of_edgy_sounds_sounds() -> None:
    for seed in range(len(SOURCES)):
        sound = edgy_sound(44_100, 0.3, seed)
        assert sound.shape == (13_230, 2)
        assert np.isfinite(sound).all()
        assert np.abs(sound).max() == pytest.approx(10.0 ** (-3.0 / 20.0))


def test_samples_on_a_grid_are_music_of_the_first_judge_too() -> None:
    """Cut hard and held: many frames repeat the one before, and some step far more than all round them."""
    stepped = 0
    for seed in range(3):
        sound = sequenced_sound(44_100, 1.0, seed)
        assert sound.shape == (44_100, 2)
        assert np.abs(sound).max() == pytest.approx(10.0 ** (-3.0 / 20.0))
        steps = np.abs(np.diff(sound[:, 0]))
        stepped += int(steps.max() > 20.0 * np.median(steps))
    assert stepped >= 2
    samples = [made_up(0, False), made_up(1, False, what="sequenced"), made_up(2, False, what="edgy")]
    rows = fit_mend.Rows.of(samples, fit_mend.FIRST["mono"], None, held_out=False)
    assert len(rows.damage) == 1200


def test_weights_can_be_written_beside_those_that_are_there(
    small: dict[str, Any], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """However the loss came out, they can be tried on the benches; the file reads like the delivered one."""
    four_pieces(monkeypatch)
    beside = tmp_path / "tried.json"
    monkeypatch.setattr("sys.argv", ["fit", "--out", str(beside)])
    assert fit_mend.main() == 0
    held = json.loads(beside.read_text("utf-8"))
    read_weights(held, EVIDENCE, NEAR_EVIDENCE)
    assert held["card"]["made_by"] == "./run fit"
    monkeypatch.setattr("sys.argv", ["fit", "--write", "--out", str(beside)])
    with pytest.raises(SystemExit):
        fit_mend.main()
    assert "one of the two" in capsys.readouterr().err


def test_music_of_another_version_is_refused(tmp_path: Path) -> None:
    package = "ufoai-music"
    assert set(PACKAGES.values()) == set(PINNED)
    with pytest.raises(MaterialError, match="does not say"):
        check_pinned(package, tmp_path)
    version, digest = PINNED[package]
    (tmp_path / STAMP).write_text(json.dumps({"version": version, "sha256": digest}))
    check_pinned(package, tmp_path)
    (tmp_path / STAMP).write_text(json.dumps({"version": version, "sha256": "0" * 64}))
    with pytest.raises(MaterialError, match="fitted on"):
        check_pinned(package, tmp_path)
