"""Two interfaces of one make are told apart, listed and chosen each by itself."""

from __future__ import annotations

from sidekeep.devices.inputs import SoundInput, choose_input, told_apart


def deck(number: int) -> SoundInput:
    return SoundInput(
        key="ALSA: Deck", name="Deck (ALSA)", channels=2, rate_hz=96_000, bits=24, device=number
    )


def test_two_inputs_of_one_name_are_told_apart_and_chosen_by_key() -> None:
    first, second, third = told_apart([deck(3), deck(5), deck(6)])
    assert first == deck(3)
    assert (second.name, third.name) == (
        "Deck (ALSA), the second of that name",
        "Deck (ALSA), the third of that name",
    )
    assert choose_input([first, second, third], "ALSA: Deck").device == 3
    assert choose_input([first, second, third], second.key).device == 5
    assert choose_input([first, second, third], "third of that name").device == 6
