"""Lost sound is found where it was lost, from 20 ms up; stalls, late deliveries and drift raise no alarm."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.devices.loss_watch import Loss, LossWatch, StampClock

RATE_HZ, BLOCK = 96_000, 4_800


def told(
    seconds: float,
    *,
    losses: dict[int, float] | None = None,
    drift_ppm: float = 0.0,
    jitter_s: float = 0.0005,
    late_s: float = 0.0,
    stalls: tuple[tuple[float, float], ...] = (),
    wander_s: float = 0.0,
    settles: tuple[float, float] = (0.0, 0.0),
) -> list[Loss]:
    """``losses`` by block; ``late_s``: stamps of arrival, late by so much on average; in a stall stamps are thrown about;
    ``settles``: at a moment, by how much, within half a second and for good."""
    random = np.random.default_rng(3)
    watch, found, lost_s = LossWatch(RATE_HZ), [], 0.0
    for number in range(round(seconds * RATE_HZ / BLOCK)):
        lost_s += (losses or {}).get(number, 0.0)
        at = number * BLOCK / RATE_HZ * (1.0 + drift_ppm * 1e-6) + lost_s
        stamp = at + random.normal() * jitter_s + (random.exponential(late_s) if late_s else 0.0)
        stamp += wander_s * (1.0 - np.exp(-at / 8.0)) + 0.2 * wander_s * np.sin(at / 30.0)
        stamp += settles[1] * min(1.0, max(0.0, (at - settles[0]) / 0.5))
        if any(start <= at < stop for start, stop in stalls):
            stamp += random.normal() * 0.02 - 0.15
        found += watch.take(number * BLOCK, stamp)
    return found


@pytest.mark.parametrize("size_s", [0.02, 0.05, 0.1, 0.3, 0.45, 0.9, 1.5])
def test_every_loss_is_found_at_its_place(size_s: float) -> None:
    places = [400 + 500 * index + 37 * index % 91 for index in range(9)]
    found = told(300.0, losses=dict.fromkeys(places, size_s), drift_ppm=-300.0)
    assert len(found) == len(places)
    for loss, place in zip(found, places, strict=True):
        assert abs(loss.at_frame - place * BLOCK) <= 0.05 * RATE_HZ
        assert loss.frames / RATE_HZ == pytest.approx(size_s, abs=0.003)


def test_losses_are_told_while_stamps_wander() -> None:
    """As on a busy machine: stamps crept by 30 ms while the stream settled, and what was lost was small beside that."""
    sizes = {290: 0.02, 480: 0.05, 700: 0.1, 940: 0.3, 1160: 0.02, 1400: 0.45, 1640: 0.05}
    found = told(100.0, losses=sizes, jitter_s=0.001, wander_s=0.03)
    assert [round(loss.at_frame / BLOCK) for loss in found] == list(sizes)
    for loss, size_s in zip(found, sizes.values(), strict=True):
        assert loss.frames / RATE_HZ == pytest.approx(size_s, abs=0.005)


@pytest.mark.parametrize("at_s", [3.5, 5.0, 6.6, 9.0, 11.5])
@pytest.mark.parametrize("by_s", [0.018, 0.03, -0.03])
def test_stamps_that_settle_after_an_input_was_opened_are_no_loss(at_s: float, by_s: float) -> None:
    """As a virtual sound card held up by other programs did it: some 18 ms at 6.6 s, and every sample was there."""
    assert told(40.0, settles=(at_s, by_s)) == []


@pytest.mark.parametrize("settled_by_s", [-0.03, 0.0, 0.03])
def test_a_loss_soon_after_an_input_was_opened_is_told(settled_by_s: float) -> None:
    (loss,) = told(30.0, losses={120: 0.06}, settles=(4.5, settled_by_s))
    assert loss.at_frame == 120 * BLOCK
    assert loss.frames / RATE_HZ == pytest.approx(0.06, abs=0.005)


def busy_lags(seconds: float, losses: dict[int, float]) -> list[Loss]:
    """As a virtual sound card with four times too much to do stamps its blocks: three at a time alike, every seventh delivery up to
    150 ms early, the rest on plateaus that wander by some 15 ms."""
    random = np.random.default_rng(11)
    watch, found, lost_s, plateau_s = LossWatch(RATE_HZ), [], 0.0, 0.0
    early_s = 0.0
    for number in range(round(seconds * RATE_HZ / BLOCK)):
        lost_s += losses.get(number, 0.0)
        if number % 3 == 0:
            early_s = random.uniform(0.02, 0.15) if random.random() < 0.15 else 0.0
            plateau_s = 0.0075 * np.sin(number / 131.0) + (0.002 if random.random() < 0.3 else 0.0)
        found += watch.take(number * BLOCK, number * BLOCK / RATE_HZ + lost_s + plateau_s - early_s)
    return found


def test_deliveries_that_are_stamped_early_hide_no_loss_and_feign_none() -> None:
    assert busy_lags(600.0, {}) == []
    sizes = {420: 0.05, 640: 0.1, 901: 0.3, 1142: 0.45, 1400: 0.9, 1622: 0.1, 1850: 0.05}
    found = busy_lags(105.0, sizes)
    assert len(found) == len(sizes)
    blocks_off = [abs(loss.at_frame // BLOCK - place) for loss, place in zip(found, sizes, strict=True)]
    # Where an early delivery lies on the very edge, it hides that by its own length at most, and the one behind it.
    assert sum(off <= 1 for off in blocks_off) >= 5
    assert max(blocks_off) <= 6
    for loss, size_s in zip(found, sizes.values(), strict=True):
        assert loss.frames / RATE_HZ == pytest.approx(size_s, abs=0.01)


def thrown_lags(seconds: float, losses: dict[int, float], *, drift_ppm: float = 0.0) -> list[Loss]:
    """As a virtual sound card at a load of 7 to 15 was seen to do it: every 40 s stamps fall 40 ms under what they always come back
    to, and climb back in jumps of 3 to 12 ms within nine seconds."""
    random = np.random.default_rng(23)
    jumps = [
        (0.0, -0.040),
        (0.9, -0.027),
        (2.2, -0.015),
        (4.1, -0.013),
        (5.6, -0.006),
        (7.1, -0.002),
        (8.8, 0.0),
    ]
    watch, found, lost_s = LossWatch(RATE_HZ), [], 0.0
    for number in range(round(seconds * RATE_HZ / BLOCK)):
        lost_s += losses.get(number, 0.0)
        at_s = number * BLOCK / RATE_HZ
        under_s = [by for since, by in jumps if since <= at_s % 40.0][-1] if at_s % 40.0 < 9.0 else 0.0
        stamp_s = at_s * (1.0 + drift_ppm * 1e-6) + lost_s + under_s - abs(random.normal()) * 0.0004
        found += watch.take(number * BLOCK, stamp_s)
    return found


@pytest.mark.parametrize("drift_ppm", [-300.0, 0.0, 300.0])
def test_stamps_that_climb_back_in_jumps_are_no_loss(drift_ppm: float) -> None:
    assert thrown_lags(400.0, {}, drift_ppm=drift_ppm) == []


@pytest.mark.parametrize("drift_ppm", [-300.0, 0.0, 300.0])
@pytest.mark.parametrize("after_s", [0.4, 1.7, 3.0, 5.0, 8.0, 12.0, 20.0])
def test_a_loss_of_20_ms_while_stamps_are_thrown_about_is_told(after_s: float, drift_ppm: float) -> None:
    """Late, and near its place, but told: by then the lag has come back to 20 ms over what it always came back to."""
    place = round((80.0 + after_s) * RATE_HZ / BLOCK)
    (loss,) = thrown_lags(130.0, {place: 0.02}, drift_ppm=drift_ppm)
    assert loss.frames / RATE_HZ == pytest.approx(0.02, abs=0.006)
    assert abs(loss.at_frame - place * BLOCK) <= loss.within_frames + 2 * BLOCK
    assert loss.within_frames <= 13.0 * RATE_HZ


def test_what_wanders_before_a_large_loss_is_not_told_as_another() -> None:
    """A step of 17 ms that would have come back, but half a second after it the lag is lifted for good by a loss."""
    (loss,) = told(60.0, losses={660: 0.45}, stalls=(), settles=(32.0, 0.017))
    assert loss.at_frame == 660 * BLOCK


def test_a_loss_in_a_stall_is_told_where_the_stall_began() -> None:
    found = told(90.0, losses={1000: 2.0}, stalls=((50.0, 54.5),))
    (loss,) = found
    assert abs(loss.at_frame - 1000 * BLOCK) <= 0.1 * RATE_HZ
    assert loss.frames / RATE_HZ == pytest.approx(2.0, abs=0.02)


@pytest.mark.parametrize("slept_s", [100.0, 3600.0])
def test_a_machine_that_slept_is_told_with_all_it_missed(slept_s: float) -> None:
    """Longer than the history that is kept."""
    (loss,) = told(60.0, losses={800: slept_s})
    assert loss.at_frame == 800 * BLOCK
    assert loss.frames / RATE_HZ == pytest.approx(slept_s, abs=0.005)


LATE = {0.204: [(0.5, 1.0), (1.4, 0.73), (1.8, 0.8), (3.4, 0.75), (4.7, 0.38), (6.4, 0.16), (7.5, 0.06)]}
LATE[0.042] = [(0.6, 0.8), (1.5, 1.05), (2.9, 0.7), (4.4, 0.38), (7.0, 0.18), (9.0, 0.08)]


def late_lags(height_s: float, losses: dict[int, float]) -> list[Loss]:
    """As a card with a clock of its own was stamped twice in six minutes at a load of 10, behind a stall of one second: too late, and
    back within ten seconds; every sample was there. Shares of the height, until so many seconds after the stall."""
    random = np.random.default_rng(5)
    watch, found, lost_s = LossWatch(RATE_HZ), [], 0.0
    for number in range(1200):
        lost_s += losses.get(number, 0.0)
        at_s = number * BLOCK / RATE_HZ
        over = next((share for until_s, share in LATE[height_s] if 0.0 <= at_s - 30.0 < until_s), 0.0)
        found += watch.take(number * BLOCK, at_s + lost_s + height_s * over + random.normal() * 0.0005)
    return found


@pytest.mark.parametrize("height_s", list(LATE))
def test_stamps_that_are_late_behind_a_stall_and_come_back_are_no_loss(height_s: float) -> None:
    assert late_lags(height_s, {}) == []


@pytest.mark.parametrize("height_s", list(LATE))
def test_what_a_stall_lost_is_told_when_late_stamps_have_come_back(height_s: float) -> None:
    (loss,) = late_lags(height_s, {600: 0.1})
    assert abs(loss.at_frame - 600 * BLOCK) <= 0.1 * RATE_HZ
    assert loss.frames / RATE_HZ == pytest.approx(0.1, abs=0.05)  # what is late at that moment counts as lost


def test_losses_that_follow_each_other_are_told_one_by_one() -> None:
    found = told(120.0, losses={1000 + 20 * index: 0.05 for index in range(9)})
    assert [loss.at_frame // BLOCK for loss in found] == [1000 + 20 * index for index in range(9)]


@pytest.mark.parametrize(("drift_ppm", "late_s"), [(-300.0, 0.02), (0.0, 0.0), (300.0, 0.02)])
def test_an_hour_without_a_loss_is_an_hour_without_an_alarm(drift_ppm: float, late_s: float) -> None:
    stalls = tuple((600.0 * n, 600.0 * n + 2.5) for n in range(1, 6))
    assert told(3600.0, drift_ppm=drift_ppm, late_s=late_s, stalls=stalls) == []


def test_steady_loss_is_not_taken_for_drift() -> None:
    found = told(200.0, drift_ppm=1900.0)
    assert found
    assert all(loss.steady_ppm == pytest.approx(1900.0, rel=0.05) for loss in found)


def test_a_device_that_tells_no_time_is_stamped_by_arrival() -> None:
    """Or one that tells a time that cannot be: from the future, or of a minute ago."""
    clock = StampClock()
    for captured_s in (0.0, -3.0, 5.51, 500.0 - 60.01):
        library_now_s = 5.0 if captured_s < 100.0 else 500.0
        assert clock.stamp(100.0, library_now_s, captured_s, 0.05) == pytest.approx(99.95)
    assert clock.stamp(100.0, 5.0, 4.9, 0.05) == pytest.approx(99.9)


def test_a_clock_that_stood_still_while_the_machine_slept_is_followed_after_two_seconds() -> None:
    clock = StampClock()
    behind_s = []
    for number in range(200):
        captured_s = 10.0 + number * 0.05
        slept_s = 7.0 if number >= 100 else 0.0
        behind_s.append(
            clock.stamp(1000.0 + captured_s + slept_s, captured_s, captured_s, 0.05) - 1000.0 - captured_s
        )
    assert behind_s[:139] == pytest.approx([0.0] * 139, abs=1e-6)
    assert behind_s[139:] == pytest.approx([7.0] * 61, abs=1e-6)


def test_stamps_do_not_care_how_late_a_callback_comes() -> None:
    clock, random = StampClock(), np.random.default_rng(1)
    stamps = []
    for number in range(400):
        captured = 10.0 + number * 0.05
        library_now = captured + 0.5 + random.exponential(0.1)
        stamps.append(
            clock.stamp(1000.0 + library_now + random.exponential(0.001), library_now, captured, 0.05)
        )
    steps = np.diff(stamps[100:])
    assert np.abs(steps - 0.05).max() < 0.01
