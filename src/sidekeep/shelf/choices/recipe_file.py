"""``recipe.toml``: the settings between take and copies, readable and editable by hand; comments and order survive."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields
from typing import Any

import tomlkit

from sidekeep.errors import ParameterError, ShelfError
from sidekeep.model.recipe import CopySettings, EdgeSettings, LevelSettings, MendChoice, MendSettings, Recipe
from sidekeep.shelf.toml_text import parse_toml, put, read_toml

_COMMENT = """\
The recipe of this record: how the take becomes copies. Edit it freely; the take stays as it is.
mend.size: gentle, even or thorough. mend.leave: start frames of repairs to leave alone.
[[mend.choice]] leaves (do = "leave") or mends after all (do = "mend") one repair, a region, a kind or what is below a size.
level.target: peak, loudness or none. edges.lead_in: cut, needle or groove.
copies.forms: wishes such as "lossless=16,48000" (bits, rate) or "portable=good" (small, good, best or kbit/s).
copies.front_file: cover, folder or both. copies.picture_kb: 0 is no limit."""

_PARTS: dict[str, type] = {
    "mend": MendSettings,
    "level": LevelSettings,
    "edges": EdgeSettings,
    "copies": CopySettings,
}
_LISTS: dict[str, tuple[type, str]] = {"mend.leave": (int, "whole numbers"), "copies.forms": (str, "texts")}
_NUMBERS = ("version", "dither_seed")
_CHOICE = "recipe/mend.choice/"


def write_recipe(recipe: Recipe, text: str = "") -> str:
    """The recipe as text; with the ``text`` that is there, only what is different in it is changed."""
    is_new = not text.strip()
    document = tomlkit.document() if is_new else parse_toml(text, "the recipe")
    if is_new:
        for line in _COMMENT.splitlines():
            document.add(tomlkit.comment(line))
    for name in _NUMBERS:
        _put_unless_usual(document, name, getattr(recipe, name), getattr(Recipe(), name), is_new)
    for part, kind in _PARTS.items():
        settings = getattr(recipe, part)
        for field in fields(kind):
            if field.name == "choices":
                continue
            value = getattr(settings, field.name)
            usual = getattr(kind(), field.name)
            value, usual = (list(v) if isinstance(v, tuple) else v for v in (value, usual))
            if part not in document and (is_new or value != usual):
                document[part] = tomlkit.table()
            if part in document:
                _put_unless_usual(document[part], field.name, value, usual, is_new)
    _put_choices(document, recipe.mend.choices)
    return tomlkit.dumps(document)


def read_recipe(text: str) -> Recipe:
    """A recipe from text; what is left out has its default, what is unknown or wrong is refused."""
    try:
        values = read_toml(text, "the recipe")
    except ShelfError as error:
        raise ParameterError(error.code, **error.facts) from error
    parts = {name: _part(name, kind, values.pop(name, {})) for name, kind in _PARTS.items()}
    if unknown := sorted(set(values) - set(_NUMBERS)):
        raise ParameterError("recipe-entry", entry=unknown[0], known=[*_PARTS, *_NUMBERS])
    for name, value in values.items():
        if not isinstance(value, int) or isinstance(value, bool):
            raise ParameterError("recipe-whole", name=name, value=value)
    return Recipe(**parts, **values)


def flat_recipe(recipe: Recipe) -> dict[str, Any]:
    """Every setting by its path, as the journal keeps it; choices of repairs by what they choose, with their rank."""
    flat: dict[str, Any] = {f"recipe/{name}": getattr(recipe, name) for name in _NUMBERS}
    for part in _PARTS:
        for name, value in asdict(getattr(recipe, part)).items():
            if name != "choices":
                flat[f"recipe/{part}.{name}"] = list(value) if isinstance(value, tuple) else value
    for rank, choice in enumerate(recipe.mend.choices, 1):
        flat[f"{_CHOICE}{json.dumps(_plain(choice), sort_keys=True)}"] = rank
    return flat


def recipe_of(state: Mapping[str, Any]) -> Recipe:
    """The recipe in a state of the journal; what is not there has its default."""
    parts: dict[str, Any] = {}
    for part, kind in _PARTS.items():
        known = {
            field.name: state[f"recipe/{part}.{field.name}"]
            for field in fields(kind)
            if f"recipe/{part}.{field.name}" in state
        }
        if part == "mend":
            ranked = sorted((rank, path) for path, rank in state.items() if path.startswith(_CHOICE))
            known["choices"] = tuple(
                MendChoice(**json.loads(path.removeprefix(_CHOICE))) for _, path in ranked
            )
        known = {name: tuple(value) if isinstance(value, list) else value for name, value in known.items()}
        parts[part] = kind(**known)
    numbers = {name: state[f"recipe/{name}"] for name in _NUMBERS if f"recipe/{name}" in state}
    return Recipe(**parts, **numbers)


def put_recipe(state: dict[str, Any], recipe: Recipe) -> None:
    """Let a recipe take the place of the one in a state; ranks of choices that stay are kept."""
    old = {path: state.pop(path) for path in list(state) if path.startswith("recipe/")}
    new = flat_recipe(recipe)
    known = [(path, old[path]) for path in new if path.startswith(_CHOICE) and path in old]
    if all(a[1] < b[1] for a, b in zip(known, known[1:], strict=False)):
        new |= dict(known)
        rank = max((rank for _, rank in known), default=0)
        late = [path for path in new if path.startswith(_CHOICE) and path not in old]
        order = [path for path in new if path.startswith(_CHOICE)]
        if order[len(order) - len(late) :] == late:
            new |= {path: rank + at for at, path in enumerate(late, 1)}
        else:
            new = flat_recipe(recipe)
    state |= new


def _plain(choice: MendChoice) -> dict[str, Any]:
    """What a choice says, without what it leaves open."""
    usual = {field.name: field.default for field in fields(MendChoice) if field.default is not MISSING}
    return {name: value for name, value in asdict(choice).items() if name == "do" or value != usual.get(name)}


def _put_unless_usual(table: Any, key: str, value: Any, usual: Any, is_new: bool) -> None:
    """An entry a person left out stays out while it has its default."""
    if is_new or key in table or value != usual:
        put(table, key, value)


def _put_choices(document: Any, choices: tuple[MendChoice, ...]) -> None:
    mend = document.get("mend")
    old = list(mend.get("choice", [])) if mend is not None else []
    if [dict(table) for table in (item.unwrap() for item in old)] == [_plain(choice) for choice in choices]:
        return
    if mend is None:
        document["mend"] = mend = tomlkit.table()
    tables = []
    for choice in choices:
        plain = _plain(choice)
        same = next((table for table in old if table.unwrap() == plain), None)
        if same is None:
            same = tomlkit.table()
            for name, value in plain.items():
                same[name] = value
        else:
            old.remove(same)
        tables.append(same)
    if "choice" in mend:
        del mend["choice"]
    if tables:
        aot = tomlkit.aot()
        for table in tables:
            aot.append(table)
        mend.append("choice", aot)


def _part(name: str, kind: type, values: Any) -> Any:
    if not isinstance(values, dict):
        raise ParameterError("recipe-table", name=name)
    allowed = {field.name: field for field in fields(kind)}
    settled: dict[str, Any] = {}
    if name == "mend":
        allowed.pop("choices")
        settled["choices"] = _choices(values.pop("choice", []))
    if unknown := sorted(set(values) - set(allowed)):
        raise ParameterError("recipe-table-entry", name=name, entry=unknown[0], known=allowed)
    for key, value in values.items():
        default = getattr(kind(), key)
        if isinstance(default, float) and isinstance(value, int) and not isinstance(value, bool):
            value = float(value)
        if isinstance(default, tuple):
            item_type, words = _LISTS[f"{name}.{key}"]
            if not isinstance(value, list) or not all(type(item) is item_type for item in value):
                raise ParameterError("recipe-list", name=name, key=key, form=words)
            value = tuple(value)
        elif type(value) is not type(default):
            raise ParameterError("recipe-value", name=name, key=key, value=value, default=default)
        settled[key] = value
    return kind(**settled)


def _choices(tables: Any) -> tuple[MendChoice, ...]:
    kinds: dict[str, tuple[type, ...]] = {
        "do": (str,),
        "take": (str,),
        "repair": (str,),
        "start_frame": (int,),
        "stop_frame": (int,),
        "of_kind": (str,),
        "below_db": (int, float),
    }
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ParameterError("recipe-choices")
    choices: list[MendChoice] = []
    for table in tables:
        for key, value in table.items():
            if key not in kinds:
                raise ParameterError("recipe-choice-entry", key=key, known=kinds)
            if not isinstance(value, kinds[key]) or isinstance(value, bool):
                raise ParameterError("recipe-choice-value", key=key, value=value)
        choice = MendChoice(**table)
        # The last of two that say the same is the one that counts.
        choices = [other for other in choices if other != choice] + [choice]
    return tuple(choices)
