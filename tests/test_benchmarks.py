"""The front door of the benchmarks: which are run, and what is handed to them."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from benchmarks import bench_mend
from benchmarks.__main__ import chosen, main, names
from benchmarks.mend_cases import heard_energy


def test_what_follows_a_name_belongs_to_the_benchmark() -> None:
    assert chosen(["transfer", "--minutes", "20"]) == (["transfer"], ["--minutes", "20"])
    assert chosen(["summary", "mend", "tracks"]) == (["summary"], ["mend", "tracks"])


def test_without_a_name_all_are_run_with_the_same_options() -> None:
    assert chosen([]) == (names(), [])
    assert chosen(["--quick"]) == (names(), ["--quick"])
    assert {"mend", "transfer", "summary"} <= set(names())


def test_an_unknown_name_lists_what_there_is(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["bench", "transfers", "--quick"])
    assert main() == 2
    told = capsys.readouterr().err
    assert "'transfers'" in told
    assert "transfer, turn" in told


def test_the_parts_of_a_benchmark_can_be_chosen(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ran: list[tuple[str, bool]] = []
    for part in bench_mend.PARTS:
        monkeypatch.setitem(bench_mend.PARTS, part, lambda quick, part=part: ran.append((part, quick)))
    monkeypatch.setattr(sys, "argv", ["bench mend", "--quick", "--only", "rates,harm"])
    bench_mend.main()
    assert ran == [("harm", True), ("rates", True)]
    assert bench_mend.asked_for(["--quick"]) == (list(bench_mend.PARTS), True)
    for words, told in (
        (["--only", "ticks"], "must be of sides, harm"),
        (["--only"], "expected one argument"),
    ):
        with pytest.raises(SystemExit):
            bench_mend.asked_for(words)
        assert told in capsys.readouterr().err


@pytest.mark.parametrize("name", ["", *names()])
def test_help_and_an_unknown_option_run_nothing(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every benchmark tells its options, knows ``--quick``, and refuses what it does not know before it begins."""
    words = [name] if name else []
    monkeypatch.setattr(sys, "argv", ["bench", *words, "--help"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 0
    shown = capsys.readouterr().out
    assert "--quick" in shown
    assert len(shown.splitlines()) > 5
    monkeypatch.setattr(sys, "argv", ["bench", *words, "--no-such-option"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert "--no-such-option" in capsys.readouterr().err


def test_what_the_music_masks_is_no_heard_error_and_the_rest_counts_whole() -> None:
    """A tick 40 dB under hiss is masked; a sine of 4 kHz beside a bass is heard, its energy within half a decibel."""
    rate_hz = 44_100
    hiss = 0.1 * np.random.default_rng(1).standard_normal((2 * rate_hz, 2))
    error = np.zeros_like(hiss)
    error[rate_hz + 1_000 : rate_hz + 1_010] = 0.001
    assert not heard_energy(error, hiss, rate_hz).any()
    times = np.arange(2 * rate_hz)[:, np.newaxis] / rate_hz
    bass = 0.3 * np.sin(2.0 * np.pi * 60.0 * times) * np.ones(2)
    error = 0.01 * np.sin(2.0 * np.pi * 4_000.0 * times) * [1.0, 0.0]
    error[:rate_hz] = 0.0
    silent, heard = heard_energy(error, bass, rate_hz)
    assert silent == pytest.approx(0.0, abs=0.02)
    assert 10.0 * np.log10(heard / np.square(error).sum()) == pytest.approx(0.0, abs=0.5)
