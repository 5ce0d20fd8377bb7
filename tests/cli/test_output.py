"""Lines for a person on a terminal, and whole lines for a pipe; wrong words answered in one line."""

from __future__ import annotations

import gc
import io
import json
import os
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rich.cells import cell_len

from sidekeep.cli.main import VERBS, _print_anything, build_parser, main
from sidekeep.cli.terminal.collector import collector_at_rest
from sidekeep.cli.terminal.output import say
from sidekeep.cli.terminal.parser import in_words
from sidekeep.cli.terminal.screen import fold
from sidekeep.cli.texts.kinds import repairs_text
from sidekeep.cli.texts.take import Teller
from sidekeep.cli.texts.transfer import file_lines

LONG = "Look: side A: the left channel is 3 dB louder than the right one from start to end. Turn the volume down, then check the plugs."


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("was_at_work", [True, False])
def test_the_collector_goes_back_to_what_it_did(was_at_work: bool) -> None:
    before = gc.isenabled()
    try:
        (gc.enable if was_at_work else gc.disable)()
        with collector_at_rest():
            assert not gc.isenabled()
        assert gc.isenabled() is was_at_work
    finally:
        (gc.enable if before else gc.disable)()


def test_the_collector_does_not_go_through_all_at_once_when_it_is_at_work_again() -> None:
    """It took two hundredths of a second at the end of every command."""
    was_at_work = gc.isenabled()
    gc.enable()
    rounds: list[str] = []
    note = lambda phase, info: rounds.append(phase)  # noqa: E731
    try:
        with collector_at_rest():
            made = [[number] for number in range(50_000)]
            gc.callbacks.append(note)
        more = [[number] for number in range(50)]
        assert rounds == []
        assert gc.isenabled()
        del made, more
    finally:
        gc.callbacks.remove(note)
        if not was_at_work:
            gc.disable()


@pytest.mark.parametrize("columns", [40, 80])
def test_a_line_is_broken_between_words_on_a_terminal(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    said = Terminal()
    say(LONG, to=said)
    rows = said.getvalue().splitlines()
    assert all(cell_len(row) <= columns for row in rows)
    assert " ".join(row.strip() for row in rows) == LONG
    assert [row[:4].isspace() for row in rows] == [False, *(True for _ in rows[1:])]


def test_a_pipe_gets_the_line_whole() -> None:
    said = io.StringIO()
    say(LONG, to=said)
    assert said.getvalue() == LONG + "\n"


@pytest.mark.parametrize("width", [1, 2, 3, 7, 20, 200])
@pytest.mark.parametrize(
    "line", ["", "  level   peak -6.0 dBFS, true peak", "word", "a" * 50, "   two  gaps  kept"]
)
def test_folding_loses_no_word_and_keeps_the_indent(line: str, width: int) -> None:
    rows = fold(line, width, hang=4)
    assert "".join("".join(rows).split()) == "".join(line.split())
    assert all(cell_len(row) <= width for row in rows)
    if len(line) <= width:
        assert rows == [line]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["xyz"], "sidekeep: there is no verb 'xyz'; there are demo, open, inputs"),
        (["verfy"], "sidekeep: there is no verb 'verfy'; did you mean 'verify'?"),
        (["shelf", "find"], "sidekeep shelf: there is no action 'find'; there are list, plan"),
        (["mend", "in.wav"], "sidekeep mend: missing: OUT"),
        (
            ["mend", "a", "b", "--mend", "much"],
            "sidekeep mend: --mend 'much' is not one of gentle, even, thorough",
        ),
        (
            ["shelf", "list", "--shelf", ""],
            "sidekeep shelf list: --shelf: its name is empty; is it a variable that is not set?",
        ),
        (["survey", ""], "sidekeep survey: FILE: its name is empty"),
        (["gauge", "--rate", "fast"], "sidekeep gauge: --rate 'fast' is not a whole number"),
        (
            ["shelf", "styluses", "--hours-before", "long"],
            "sidekeep shelf styluses: --hours-before 'long' is not a number",
        ),
        (["gauge", "--input"], "sidekeep gauge: --input needs a value"),
        (["verify", "--loud"], "sidekeep verify: not understood: --loud"),
        (
            ["copies", "slack", "water"],
            "sidekeep copies: not understood: water; a name of several words needs quotes around it",
        ),
        (
            ["compare", "slack water/A-1", "A-2", "A-3"],
            "sidekeep compare: not understood: A-3; a name of several words needs quotes around it",
        ),
        (["inputs", "card"], "sidekeep inputs: not understood: card ("),
        (
            ["survey", "a.wav", "--sleve", "b.txt"],
            "sidekeep survey: not understood: --sleve b.txt; did you mean '--sleeve'?",
        ),
        (
            ["shelf", "styluses", "--hours-bfore=5"],
            "sidekeep shelf styluses: not understood: --hours-bfore=5; did you mean '--hours-before'?",
        ),
    ],
)
def test_wrong_words_are_answered_in_one_line(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    out, err = capsys.readouterr()
    assert ended.value.code == 2
    assert out == ""
    assert err.startswith(told)
    assert err.count("\n") == 1
    assert "--help' tells more)" in err


def test_a_message_that_is_not_known_stays_as_it_is() -> None:
    assert in_words("something new") == "something new"
    assert in_words("argument --x: something new") == "--x: something new"


def test_every_verb_is_among_the_allowed_words(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        build_parser(None).parse_args(["qqq"])
    told = capsys.readouterr().err
    assert [verb for verb in VERBS if verb not in told] == []


def test_kinds_of_repairs_are_counted_in_plain_words() -> None:
    assert repairs_text(["pop", "tick", "thump", "tick"]) == "2 ticks, 1 pop, 1 thump"
    assert repairs_text([]) == ""


def test_written_files_are_whole_paths_for_a_script_and_names_in_a_folder_for_a_person(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "A Record (1971)"
    written = [
        ("lossless/01 One.flac", "made"),
        ("lossless/02 Two.flac", "kept"),
        ("lossless/03 Three.flac", "tagged"),
    ]
    result: Any = SimpleNamespace(
        folder=folder,
        written=[SimpleNamespace(path=folder / name, action=action) for name, action in written],
    )
    report = folder / "report.html"
    for_script = list(file_lines(result, report, by_folder=False))
    assert for_script == [*(str(folder / name) for name, _ in written), str(report)]
    for_person = list(file_lines(result, report, by_folder=True))
    assert for_person == [
        f"{folder}:",
        "  lossless/01 One.flac",
        "  lossless/02 Two.flac  (was there, unchanged)",
        "  lossless/03 Three.flac  (was there, new tags)",
        "  report.html",
    ]


@pytest.mark.parametrize("machine", [False, True])
def test_objects_of_a_session_stay_on_one_line_on_a_terminal_too(
    machine: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = Terminal()
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr(sys, "stdout", said)
    Teller(machine=machine).note(LONG)
    lines = said.getvalue().splitlines()
    if machine:
        assert json.loads(lines[0]) == {"message": LONG}
    else:
        assert len(lines) > 1


def test_a_long_number_is_printed_with_a_plain_space_where_no_other_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An old terminal or a pipe there: it read ``2\\u202f210``."""
    printed = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(printed, encoding="cp1252"))
    _print_anything()
    say(f"{repairs_text(['tick'] * 2210)}, in \u6f6e\u202f\u202f\u66a6")
    sys.stdout.flush()
    assert printed.getvalue() == b"2 210 ticks, in \\u6f6e  \\u66a6" + os.linesep.encode()
