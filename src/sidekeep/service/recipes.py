"""A recipe from a file and from single choices on top of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Literal

from sidekeep.errors import ParameterError
from sidekeep.files.bounded import read_text_bounded
from sidekeep.model.recipe import MendSize, Recipe
from sidekeep.shelf.recipe_file import read_recipe


def recipe_from(
    path: Path | None = None,
    *,
    size: MendSize | Literal["none"] | None = None,
    level: str | None = None,
    lead_in: Literal["cut", "needle", "groove"] | None = None,
) -> Recipe:
    """``size``: gentle, even, thorough or none. ``level``: peak, none or a loudness in LUFS."""
    recipe = Recipe()
    if path is not None:
        recipe = read_recipe(read_text_bounded(path, "the recipe"))
    if size is not None:
        mend = replace(recipe.mend, enabled=size != "none", size=recipe.mend.size if size == "none" else size)
        recipe = replace(recipe, mend=mend)
    if level == "peak":
        recipe = replace(recipe, level=replace(recipe.level, target="peak"))
    elif level == "none":
        recipe = replace(recipe, level=replace(recipe.level, target="none"))
    elif level is not None:
        try:
            loudness_lufs = float(level)
        except ValueError:
            raise ParameterError(f"level {level!r} must be peak, none or a loudness such as -18") from None
        recipe = replace(recipe, level=replace(recipe.level, target="loudness", loudness_lufs=loudness_lufs))
    if lead_in is not None:
        recipe = replace(recipe, edges=replace(recipe.edges, lead_in=lead_in))
    return recipe
