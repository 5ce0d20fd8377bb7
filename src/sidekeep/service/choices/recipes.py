"""A recipe from a file and from single choices on top of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from sidekeep.errors import ParameterError
from sidekeep.files.bounded import read_text_bounded
from sidekeep.model.edits import RecipeEdit
from sidekeep.model.recipe import MendSize, Recipe
from sidekeep.service.choices.edits import with_recipe_edit
from sidekeep.shelf.choices.recipe_file import read_recipe


@dataclass(frozen=True, kw_only=True)
class RecipeWish:
    """What a person asked for: a whole recipe in place of the kept one, single settings on top, or both."""

    whole: Recipe | None = None
    single: RecipeEdit = field(default_factory=RecipeEdit)

    def on(self, kept: Recipe) -> Recipe:
        """The recipe to follow where ``kept`` is the one that stands."""
        return with_recipe_edit(kept if self.whole is None else self.whole, self.single)


def recipe_from(
    path: Path | None = None,
    *,
    size: MendSize | Literal["none"] | None = None,
    level: str | None = None,
    lead_in: Literal["cut", "needle", "groove"] | None = None,
    **copies: Any,
) -> Recipe:
    """The recipe of a job without a shelf: the file's or the usual one, with the single choices on top."""
    return wish_from(path, size=size, level=level, lead_in=lead_in, **copies).on(Recipe())


def wish_from(
    path: Path | None = None,
    *,
    size: MendSize | Literal["none"] | None = None,
    level: str | None = None,
    lead_in: Literal["cut", "needle", "groove"] | None = None,
    **copies: Any,
) -> RecipeWish:
    """``size``: gentle, even, thorough or none. ``level``: peak, none or a loudness in LUFS. ``copies`` are fields of
    ``CopySettings``. What is not given stays."""
    whole = None
    if path is not None:
        whole = read_recipe(read_text_bounded(path, "recipe"))
    target: Literal["peak", "loudness", "none"] | None = None
    loudness_lufs = None
    if level == "peak":
        target = "peak"
    elif level == "none":
        target = "none"
    elif level is not None:
        target = "loudness"
        try:
            loudness_lufs = float(level)
        except ValueError:
            raise ParameterError("level-word", level=level) from None
    single = RecipeEdit(
        enabled=None if size is None else size != "none",
        size=None if size == "none" else size,
        target=target,
        loudness_lufs=loudness_lufs,
        lead_in=lead_in,
        **copies,
    )
    return RecipeWish(whole=whole, single=single)
