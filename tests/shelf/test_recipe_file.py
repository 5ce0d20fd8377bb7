"""The recipe survives its file, and says what is wrong with an edit."""

from __future__ import annotations

import pytest

from sidekeep.errors import ParameterError
from sidekeep.model.recipe import CopySettings, EdgeSettings, LevelSettings, MendSettings, Recipe
from sidekeep.shelf.choices.recipe_file import read_recipe, write_recipe


@pytest.mark.parametrize(
    "recipe",
    [
        Recipe(),
        Recipe(
            mend=MendSettings(enabled=False, size="gentle", leave=(5, 99)),
            level=LevelSettings(target="loudness", loudness_lufs=-16.5, peak_dbtp=-2.0),
            edges=EdgeSettings(lead_in="needle", fade_in_s=0.0, fade_out_s=2.5),
            copies=CopySettings(
                forms=("lossless=16", "portable=good"), picture_kb=500, disc_folders=True, owner="Åse Łind"
            ),
            dither_seed=7,
        ),
    ],
)
def test_round_trip(recipe: Recipe) -> None:
    assert read_recipe(write_recipe(recipe)) == recipe


def test_what_is_left_out_has_its_default() -> None:
    assert read_recipe("[level]\npeak_dbtp = -2\n") == Recipe(level=LevelSettings(peak_dbtp=-2.0))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[mend]\nsize = 'huge'", "gentle, even or thorough"),
        ("[mend]\nsise = 'even'", "unknown entry 'sise'"),
        ("[mend]\nenabled = 'yes'", "must be like True"),
        ("[mend]\nleave = ['x']", "list of whole numbers"),
        ("[level]\npeak_dbtp = 3.0", "between -20 and 0"),
        ("[copies]\nforms = [16]", "list of texts"),
        ("[copies]\nfront_file = 'sleeve'", "cover, folder or both"),
        ("colour = 3", "unknown entry 'colour'"),
        ("mend = 3", "must be a table"),
        ("version = 'one'", "whole number"),
        ("[mend", "cannot be read"),
        ("[[mend.choice]]\nsound = 'dry'", "unknown entry 'sound'"),
        ("[[mend.choice]]\nbelow_db = true", "of the wrong kind"),
    ],
)
def test_a_wrong_edit_is_one_sentence(text: str, said: str) -> None:
    with pytest.raises(ParameterError, match=said):
        read_recipe(text)
