"""What a recipe will do to a record: levels as recorded, after mending (without the repairs that are left), and in the copies."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

from sidekeep.errors import ShelfError
from sidekeep.flow.passes.edges import render_spans
from sidekeep.flow.passes.render import choose_gain, record_level
from sidekeep.model.recipe import LevelSettings, Recipe
from sidekeep.service.house.library import FoundTake
from sidekeep.service.house.takes.cuts_view import kept_cuts, side_cuts
from sidekeep.service.house.takes.held_takes import HeldTakes
from sidekeep.shelf.choices.choices import read_choices
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.units import MINIMUM_DB


def recipe_effect(
    folder: RecordFolder, found: list[FoundTake], takes: HeldTakes, level: LevelSettings | None = None
) -> dict[str, Any]:
    """The kept recipe (or the usual one) and its effect; ``level`` tries another level without keeping it."""
    recipe = read_choices(folder.path).recipe
    if level is not None:
        recipe = replace(recipe, level=level)
    return {"choices": asdict(recipe), "effect": _effect(folder, found, takes, recipe)}


def _effect(
    folder: RecordFolder, found: list[FoundTake], takes: HeldTakes, recipe: Recipe
) -> dict[str, Any] | None:
    """None while a chosen take is not surveyed."""
    chosen = {take.folder for take in folder.chosen_takes()}
    cuts = kept_cuts(folder)
    spans, played_dbtp, played_lufs = [], [], []
    for each in found:
        if each.take.folder not in chosen:
            continue
        opened = takes.get(each.take_id)
        survey, levels = opened.survey(), opened.levels()
        if survey is None or levels is None:
            return None
        played_dbtp.append(survey.level.true_peak_dbtp)
        played_lufs.append(survey.level.integrated_lufs)
        parts = []
        for name in each.take.side:
            side = side_cuts(opened, name, cuts)
            rendered = (
                render_spans(
                    side,
                    recipe.edges,
                    rate_hz=opened.rate_hz,
                    length_frames=opened.source.format.length_frames,
                )
                if side
                else ()
            )
            if rendered:
                parts.append((rendered[0].start_frame, rendered[-1].stop_frame))
        spans.append((levels, parts))
    if not any(parts for _, parts in spans):
        return None
    try:
        mended = record_level(spans)
    except (ValueError, ShelfError):
        return None
    gain = choose_gain(mended, recipe.level)
    return {
        "recorded": {"true_peak_dbtp": _db(max(played_dbtp)), "loudest_side_lufs": _db(max(played_lufs))},
        "mended": {
            "true_peak_dbtp": _db(mended.true_peak_dbtp),
            "integrated_lufs": _db(mended.integrated_lufs),
        },
        "copies": {
            "true_peak_dbtp": _db(mended.true_peak_dbtp + gain.gain_db),
            "integrated_lufs": _db(mended.integrated_lufs + gain.gain_db),
        },
        "gain_db": _db(gain.gain_db),
        "text": gain.text,
    }


def _db(value: float) -> float:
    return round(max(value, MINIMUM_DB), 2)
