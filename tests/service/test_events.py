"""The stream of news: numbered, bounded, never waiting for a slow watcher."""

from __future__ import annotations

from sidekeep.service.house.events import KEPT, WAITING_MOST, EventHub


def nothing() -> None:
    pass


def test_a_watcher_gets_what_is_told_in_order() -> None:
    hub = EventHub()
    woken: list[int] = []
    watcher, missed, _ = hub.watch(lambda: woken.append(1))
    hub.publish("shelf")
    hub.publish("record", {"id": "x"})
    events, was_behind = watcher.take()
    assert [event["seq"] for event in events] == [1, 2]
    assert (missed, was_behind, len(woken)) == ([], False, 2)
    assert watcher.take() == ([], False)


def test_who_was_away_gets_what_was_missed_or_is_told_to_read_anew() -> None:
    hub = EventHub()
    for _ in range(KEPT + 10):
        hub.publish("shelf")
    _, missed, is_forgotten = hub.watch(nothing, after=KEPT + 7)
    assert ([event["seq"] for event in missed], is_forgotten) == ([KEPT + 8, KEPT + 9, KEPT + 10], False)
    assert hub.watch(nothing, after=9)[2]  # news 10 is still kept: the first one missed would be it
    assert hub.watch(nothing, after=KEPT + 99)[2]  # a number of an earlier run of the server


def test_a_slow_watcher_costs_nothing_and_knows_that_it_is_behind() -> None:
    hub = EventHub()
    watcher, _, _ = hub.watch(nothing)
    for _ in range(WAITING_MOST * 3):
        hub.publish("shelf")
        hub.show("meter", {"db": 1})
    events, was_behind = watcher.take()
    assert was_behind
    assert len(events) <= WAITING_MOST + 1
    hub.publish("shelf")
    assert watcher.take()[1] is False


def test_of_readings_only_the_newest_waits() -> None:
    hub = EventHub()
    watcher, _, _ = hub.watch(nothing)
    for db in range(1000):
        hub.show("meter", {"db": db})
    assert watcher.take()[0] == [{"kind": "meter", "db": 999}]
    watcher.close()
    hub.show("meter", {"db": 0})
    assert watcher.take()[0] == []
