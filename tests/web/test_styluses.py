"""Styluses through the interface: added, listed with their hours, named when a recording is brought in."""

from __future__ import annotations

from tests.web.conftest import RunningServer


def test_a_stylus_is_added_and_changed(fresh: RunningServer) -> None:
    assert fresh.get("/api/styluses") == {"styluses": []}
    made = fresh.ask("POST", "/api/styluses", {"name": "Elliptic 1", "hours_before": 390.0})
    assert made.status == 200, made.body
    (stylus,) = fresh.get("/api/styluses")["styluses"]
    assert stylus == {
        "name": "Elliptic 1",
        "hours": 390.0,
        "hours_before": 390.0,
        "remind_at_h": 400.0,
        "is_due": False,
    }
    fresh.ask("POST", "/api/styluses", {"name": "Elliptic 1", "hours_before": 410.0, "remind_at_h": 405.0})
    (stylus,) = fresh.get("/api/styluses")["styluses"]
    assert stylus["is_due"]


def test_what_is_no_stylus_is_refused(fresh: RunningServer) -> None:
    for body in ({"name": ""}, {"name": "a", "hours_before": -1.0}, {"name": "a", "remind_at_h": 0.0}):
        assert fresh.ask("POST", "/api/styluses", body).status == 400
    assert fresh.get("/api/styluses") == {"styluses": []}
