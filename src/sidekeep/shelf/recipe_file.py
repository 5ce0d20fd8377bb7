"""``recipe.toml``: the settings between take and copies, readable and editable by hand."""

from __future__ import annotations

import tomllib
from dataclasses import asdict, fields
from typing import Any

from sidekeep.errors import ParameterError
from sidekeep.model.recipe import EdgeSettings, LevelSettings, MendSettings, Recipe
from sidekeep.shelf.toml_text import toml_text

_COMMENT = """The recipe of this record: how the take becomes copies. Edit it freely; the take stays as it is.
mend.size: gentle, even or thorough. mend.leave: start frames of repairs to leave alone.
level.target: peak, loudness or none. edges.lead_in: cut, needle or groove."""

_PARTS: dict[str, type] = {"mend": MendSettings, "level": LevelSettings, "edges": EdgeSettings}


def write_recipe(recipe: Recipe) -> str:
    """The recipe as text."""
    values = asdict(recipe)
    values["mend"]["leave"] = list(recipe.mend.leave)
    return toml_text(values, comment=_COMMENT)


def read_recipe(text: str) -> Recipe:
    """A recipe from text; what is left out has its default, what is unknown or wrong is refused."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(f"the recipe cannot be read: {error}") from error
    parts = {name: _part(name, kind, values.pop(name, {})) for name, kind in _PARTS.items()}
    known = {"version", "dither_seed"}
    if unknown := sorted(set(values) - known):
        raise ParameterError(
            f"the recipe has an unknown entry {unknown[0]!r}; known: {', '.join([*_PARTS, *known])}"
        )
    for name, value in values.items():
        if not isinstance(value, int) or isinstance(value, bool):
            raise ParameterError(f"{name} = {value!r} in the recipe must be a whole number")
    return Recipe(**parts, **values)


def _part(name: str, kind: type, values: Any) -> Any:
    if not isinstance(values, dict):
        raise ParameterError(f"[{name}] in the recipe must be a table")
    allowed = {field.name: field for field in fields(kind)}
    if unknown := sorted(set(values) - set(allowed)):
        raise ParameterError(
            f"[{name}] in the recipe has an unknown entry {unknown[0]!r}; known: {', '.join(allowed)}"
        )
    settled: dict[str, Any] = {}
    for key, value in values.items():
        default = getattr(kind(), key)
        if isinstance(default, float) and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if isinstance(default, tuple):
            if not isinstance(value, list) or not all(isinstance(item, int) for item in value):
                raise ParameterError(f"{name}.{key} in the recipe must be a list of whole numbers")
            value = tuple(value)
        elif type(value) is not type(default):
            raise ParameterError(f"{name}.{key} = {value!r} in the recipe must be like {default!r}")
        settled[key] = value
    return kind(**settled)
