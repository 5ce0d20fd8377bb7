"""What the places of damage sound like: every event with its waveform, crackle, and what comes round in the locked groove.

The groove speed at a place gives the length of an event in time.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc import pulses
from sidekeep.press.disc.groove import Groove
from sidekeep.press.disc.places import (
    EDGE_S,
    Places,
    between,
    capped,
    dust,
    lean,
    locked_groove,
    new_ticks,
    pops,
    scratches,
    thumps,
)
from sidekeep.press.disc.truth import CRACKLE, LOCKED_GROOVE, POP, THUMP, TICK
from sidekeep.units import db_to_gain

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
BATCH = 256
LONGEST_TICK_S = 0.5e-3
"""A tick that lasts longer is a pop: the words name lengths, not causes."""
FLOOR_DB = -50.0
FLOOR_RE_HISS_DB = -10.0
"""An event ends where it falls this far below its own peak, or below the groove noise's rms."""
CRACKLE_FLOOR_DB = -34.0
CRACKLE_SHAPES = 384
CRACKLE_ZONES = 3
ROOM_S = {TICK: 0.018, POP: 0.040, THUMP: 0.040, CRACKLE: 0.008}


@dataclass
class Damage:
    """Events with their waveforms, in order of start.

    Row i is ``gains[i, channel] * wave[offset[i] : offset[i] + length[i]]`` from frame ``start[i]``, counted
    from needle down. ``wall`` is 0 left, 1 right, -1 both.
    """

    start: Ints
    length: Ints
    offset: Ints
    gains: Floats
    kind: Ints
    wall: Ints
    group: Ints
    turn: Floats
    wave: Floats


def make_damage(groove: Groove, disc: tuple[int, ...], playing: tuple[int, ...], mixing: Floats) -> Damage:
    """All the damage of a side. ``mixing`` (2, 2) is channel gain and crosstalk of the chain."""
    places = [
        dust(groove, np.random.default_rng((*disc, 21)), 1.0 - groove.settings.loose_dust),
        dust(groove, np.random.default_rng((*playing, 21)), groove.settings.loose_dust),
        scratches(groove, np.random.default_rng((*disc, 22))),
        pops(groove, np.random.default_rng((*disc, 23))),
        thumps(groove, np.random.default_rng((*disc, 24))),
        locked_groove(groove, np.random.default_rng((*disc, 25))),
        new_ticks(groove, np.random.default_rng((*playing, 27))),
    ]
    shaped = [
        _shape(groove, place, np.random.default_rng((*disc, 30, number)), mixing)
        for number, place in enumerate(places)
        if len(place.turn)
    ]
    crackle = _crackle(groove, np.random.default_rng((*disc, 26)), mixing)
    damage = _in_order([*shaped, crackle] if crackle else shaped)
    return _come_round(groove, damage) if groove.settings.locked_repeats else damage


def _shape(groove: Groove, places: Places, rng: np.random.Generator, mixing: Floats) -> Damage:
    """Give every place its waveform, wall and span."""
    rate = groove.rate_hz
    t_s = groove.time_of_turn(places.turn)
    inside = np.flatnonzero((t_s > 0.01) & (t_s < groove.length_s - EDGE_S))
    t_s, height = t_s[inside], places.height[inside]
    width_s = places.width_m[inside] / groove.groove_speed_m_s(t_s)
    kind, group = places.kind[inside], places.group[inside]
    kind = np.where((kind == TICK) & (width_s > LONGEST_TICK_S), POP, kind)
    frame = np.floor(t_s * rate).astype(np.int64)
    part = t_s * rate - frame
    hiss = db_to_gain(groove.settings.hiss_dbfs + FLOOR_RE_HISS_DB)
    floor = np.clip(hiss / height, db_to_gain(FLOOR_DB), 0.9)
    start, length, offset = frame - int(pulses.HEAD_S * rate), np.zeros_like(frame), np.zeros_like(frame)
    waves, filled = [np.empty(0)], 0
    for which in (TICK, POP, THUMP):
        rows = np.flatnonzero(kind == which)
        for chunk in _chunks(rows, group):
            alike = bool(group[chunk[0]] != -1)
            shapes = pulses.render(which, width_s[chunk], part[chunk], rate, ROOM_S[which], rng, alike)
            if which == THUMP:
                shapes = pulses.add_tails(shapes, part[chunk], rate, rng)
            first, stop = pulses.bounds(shapes, floor[chunk])
            start[chunk] += first
            length[chunk] = stop - first
            offset[chunk] = filled + np.cumsum(stop - first) - (stop - first)
            waves.append(pulses.cut(shapes, first, stop))
            filled += len(waves[-1])
    wall, gains = _walls(kind, rng)
    for one in np.unique(group[group != -1]):
        members = np.flatnonzero(group == one)
        wall[members], gains[members] = wall[members[0]], gains[members[0]]
    return Damage(
        start=start,
        length=length,
        offset=offset,
        gains=(height[:, np.newaxis] * gains) @ mixing.T,
        kind=kind.astype(np.int64),
        wall=wall,
        group=group,
        turn=places.turn[inside],
        wave=np.concatenate(waves),
    )


def _chunks(rows: Ints, group: Ints) -> list[Ints]:
    """``rows`` in batches; every scratch in batches of its own."""
    chunks = []
    for one in np.unique(group[rows]):
        members = rows[group[rows] == one]
        chunks += [members[low : low + BATCH] for low in range(0, len(members), BATCH)]
    return chunks


def _walls(kind: Ints, rng: np.random.Generator) -> tuple[Ints, Floats]:
    """Wall hit (0, 1, -1 both) and gains (events, 2): half on one wall, 30 % on both in opposite sign, 20 %
    alike.

    Thumps are mostly vertical: both walls, opposite sign.
    """
    count = len(kind)
    draw = np.where(kind == THUMP, 0.5 + 0.35 * rng.uniform(size=count), rng.uniform(size=count))
    left_only, right_only, opposite = draw < 0.25, (draw >= 0.25) & (draw < 0.5), (draw >= 0.5) & (draw < 0.8)
    sign = rng.choice([-1.0, 1.0], count)
    weaker = rng.uniform(0.5, 1.0, count)
    left_is_weaker = rng.uniform(size=count) < 0.5
    left = np.where(right_only, 0.0, np.where(left_is_weaker & ~left_only, weaker, 1.0))
    right = np.where(left_only, 0.0, np.where(~left_is_weaker & ~right_only, weaker, 1.0))
    gains = np.stack([sign * left, sign * right * np.where(opposite, -1.0, 1.0)], axis=1)
    return np.where(left_only, 0, np.where(right_only, 1, -1)), gains


def _crackle(groove: Groove, rng: np.random.Generator, mixing: Floats) -> Damage | None:
    """Thousands of faint short pulses, in patches and denser on one half of the disc; shapes from a stock."""
    s, rate = groove.settings, groove.rate_hz
    room_s = groove.planned_s - 3.0 * EDGE_S
    count = int(rng.poisson(s.crackle_per_s * s.crackle_share * room_s))
    if not count:
        return None
    patches = max(1, round(room_s * s.crackle_share / 12.0)) if s.crackle_share < 1.0 else 1
    patch_s, slot_s = room_s * s.crackle_share / patches, room_s / patches
    begin_s = EDGE_S + np.arange(patches) * slot_s + rng.uniform(size=patches) * (slot_s - patch_s)
    t_s = begin_s[rng.integers(0, patches, count)] + patch_s * rng.uniform(size=count)
    turn = lean(groove.turn_at(t_s), rng.uniform(), 0.7)
    t_s = groove.time_of_turn(turn)
    # one stock a zone: the same particle lasts longer where the groove is slower
    stock = CRACKLE_SHAPES // CRACKLE_ZONES
    middle_s = groove.planned_s * (np.arange(CRACKLE_ZONES) + 0.5) / CRACKLE_ZONES
    speed_m_s = np.repeat(groove.groove_speed_m_s(middle_s), stock)
    width_s = between(rng, 4e-6, 25e-6, CRACKLE_SHAPES) / speed_m_s
    part = rng.uniform(size=CRACKLE_SHAPES)
    shapes = pulses.render(CRACKLE, width_s, part, rate, ROOM_S[CRACKLE], rng)
    first, stop = pulses.bounds(shapes, np.full(CRACKLE_SHAPES, db_to_gain(CRACKLE_FLOOR_DB)))
    zone = np.clip((CRACKLE_ZONES * t_s / groove.planned_s).astype(np.int64), 0, CRACKLE_ZONES - 1)
    shape = zone * stock + rng.integers(0, stock, count)
    height = capped(groove, s.crackle_dbfs + 5.0 * rng.standard_normal(count))
    kind = np.full(count, CRACKLE)
    wall, gains = _walls(kind, rng)
    return Damage(
        start=np.floor(t_s * rate).astype(np.int64) - int(pulses.HEAD_S * rate) + first[shape],
        length=(stop - first)[shape],
        offset=(np.cumsum(stop - first) - (stop - first))[shape],
        gains=(height[:, np.newaxis] * gains) @ mixing.T,
        kind=kind,
        wall=wall,
        group=np.full(count, -1),
        turn=turn,
        wave=pulses.cut(shapes, first, stop),
    )


def _come_round(groove: Groove, damage: Damage) -> Damage:
    """In the locked groove the same damage passes once a turn: that of its first turn, with the same waveforms. The tick of the
    crossing comes round by itself."""
    turns = groove.settings.run_out_turns
    first = float(groove.turn_at(groove.length_s)) - turns
    own = damage.group == LOCKED_GROOVE
    before, once = damage.turn < first, (damage.turn >= first) & (damage.turn < first + 1.0) & ~own
    rows = [np.flatnonzero(before | own)]
    starts, angles = [damage.start[rows[0]]], [damage.turn[rows[0]]]
    here = np.flatnonzero(once)
    for turn in range(turns):
        later_s = groove.time_of_turn(damage.turn[here] + turn) - groove.time_of_turn(damage.turn[here])
        rows.append(here)
        starts.append(damage.start[here] + np.round(later_s * groove.rate_hz).astype(np.int64))
        angles.append(damage.turn[here] + turn)
    kept, start, angle = np.concatenate(rows), np.concatenate(starts), np.concatenate(angles)
    inside = start + damage.length[kept] < groove.length_s * groove.rate_hz
    kept, start, angle = kept[inside], start[inside], angle[inside]
    order = np.argsort(start, kind="stable")
    columns = {
        field.name: getattr(damage, field.name)[kept][order]
        for field in dataclasses.fields(Damage)
        if field.name != "wave"
    }
    return Damage(**{**columns, "start": start[order], "turn": angle[order]}, wave=damage.wave)


def _in_order(parts: Sequence[Damage]) -> Damage:
    """Parts joined, their waves end to end, sorted by start."""
    if not parts:
        ints, floats = np.empty(0, np.int64), np.empty(0)
        return Damage(ints, ints, ints, np.empty((0, 2)), ints, ints, ints, floats, floats)
    before = np.cumsum([0] + [len(part.wave) for part in parts])
    joined = {
        field.name: np.concatenate([getattr(part, field.name) for part in parts])
        for field in dataclasses.fields(Damage)
    }
    joined["offset"] = joined["offset"] + np.repeat(before[:-1], [len(part.start) for part in parts])
    order = np.argsort(joined["start"], kind="stable")
    return Damage(
        **{name: v if name == "wave" else np.ascontiguousarray(v[order]) for name, v in joined.items()}
    )
