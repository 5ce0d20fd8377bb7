"""What goes wrong inside is one line in the server's window; the trace is for those who ask for it."""

from __future__ import annotations

import logging

import pytest

from sidekeep.web.faults import faults_told
from tests.web.conftest import RunningServer


def test_a_fault_is_one_line_and_its_inner_facts_stay_inside(
    fresh: RunningServer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise KeyError("inner\nfacts")

    monkeypatch.setattr(fresh.house, "bin", broken)
    told: list[str] = []
    with faults_told(told.append, traces=False):
        answer = fresh.ask("GET", "/api/bin")
    assert answer.status == 500
    assert b"inner" not in answer.body
    (line,) = told
    assert "GET /api/bin (KeyError: 'inner\\nfacts')" in line
    assert "\n" not in line
    assert capsys.readouterr().err == ""


def test_the_trace_is_there_for_those_who_ask(fresh: RunningServer, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise KeyError("why")

    monkeypatch.setattr(fresh.house, "bin", broken)
    told: list[str] = []
    with faults_told(told.append, traces=True):
        fresh.ask("GET", "/api/bin")
    assert "Traceback" in told[0]
    assert "in broken" in told[0]


def test_afterwards_logging_is_as_it_was() -> None:
    logger = logging.getLogger("sidekeep.web")
    before = (list(logger.handlers), logger.propagate)
    with faults_told(print, traces=False):
        assert logger.handlers != before[0]
    assert (list(logger.handlers), logger.propagate) == before
