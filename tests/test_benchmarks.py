"""The front door of the benchmarks: which are run, and what is handed to them."""

from __future__ import annotations

import sys

import pytest
from benchmarks import bench_mend
from benchmarks.__main__ import chosen, main, names


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
