"""The table of kernels that are compiled beforehand names kernels that there are, with types that they take."""

from __future__ import annotations

from importlib import import_module

import numba
import numpy as np
import pytest

from sidekeep.dsp.compiling import compile_kernels, compile_line, name_type, read_signatures, type_named
from sidekeep.dsp.impulses.evidence.weights import fitted_weights
from sidekeep.dsp.kernel import PLAIN

pytestmark = pytest.mark.skipif(PLAIN, reason="SIDEKEEP_PLAIN=1: nothing is compiled")


@pytest.mark.parametrize("line", read_signatures(), ids=lambda line: line.partition("\t")[0])
def test_every_line_names_a_kernel_and_a_type_for_each_of_its_parameters(line: str) -> None:
    name, _, words = line.partition("\t")
    module, _, kernel = name.partition(":")
    function = getattr(import_module(module), kernel).py_func
    assert len([type_named(word) for word in words.split("; ")]) == function.__code__.co_argcount


@pytest.mark.parametrize(
    "value",
    [
        1.0,
        3,
        True,
        np.uint64(1),
        np.zeros((2, 3)),
        np.zeros((2, 3), order="F"),
        np.zeros((4, 6))[::2, ::2],
        np.zeros(3, dtype=bool),
        np.zeros(3, dtype=np.int32),
        fitted_weights().stereo,
    ],
)
def test_a_type_comes_back_from_its_word(value: object) -> None:
    asked = numba.typeof(value)
    assert type_named(name_type(asked)) == asked


def test_what_can_be_only_read_has_a_word_of_its_own() -> None:
    read_only = np.zeros(3)
    read_only.flags.writeable = False
    assert name_type(numba.typeof(read_only)) == "float64 1C read"
    assert type_named("float64 1C read") == numba.typeof(read_only) != numba.typeof(np.zeros(3))


def test_what_no_kernel_is_called_with_has_no_word() -> None:
    with pytest.raises(ValueError, match="no word"):
        name_type(numba.typeof((1.0, 2.0)))


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("sidekeep.dsp.level.sample_levels:_fast_vanished\tfloat64 1C", "AttributeError"),
        ("sidekeep.dsp.no_such_room:_fast\tfloat64 1C", "ModuleNotFoundError"),
        ("sidekeep.dsp.level.sample_levels:_fast_sums\tfloat65 1C", "AttributeError"),
    ],
)
def test_a_line_that_does_not_hold_is_told_and_stops_nothing(line: str, why: str) -> None:
    good = next(known for known in read_signatures() if ":_fast_sums" in known)
    assert compile_line(good) is None
    (told,) = compile_kernels([line, good], processes=1)
    assert told.startswith(f"{line.partition(chr(9))[0]}: {why}")
