"""Kernels compiled before they are needed, side by side, once on a machine: ``python -m sidekeep.dsp.compiling``.

``signatures.txt`` names the kernels that a job calls and the types it calls them with, the dearest to compile first. ``python -m
tests.kernels`` writes it. Nothing depends on it: what is not named is compiled when it is first called, and what was
compiled before takes some milliseconds here. A line is ``module:kernel``, a tab, and types with ``; `` between them: ``float64``,
``float64 2C`` (an array: axes, and C, F or A for its order in memory), ``float64 1C read`` (one that is only read), ``Network``.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from importlib import import_module
from importlib.resources import files
from multiprocessing import get_context
from typing import Any

from sidekeep.dsp.impulses.evidence.network import Network
from sidekeep.dsp.kernel import PLAIN
from sidekeep.dsp.kernel_cache import types

TABLE = "signatures.txt"
MOST_PROCESSES = 4  # the dearest kernel takes as long as all others together, so more would only wait


def read_signatures() -> list[str]:
    """The lines of the table."""
    return (files("sidekeep.dsp") / TABLE).read_text(encoding="utf-8").splitlines()


def name_type(asked: Any) -> str:
    """The word of the table for a type of the compiler; ValueError where it has none."""
    if isinstance(asked, types.Array) and asked.aligned:
        return f"{name_type(asked.dtype)} {asked.ndim}{asked.layout}{'' if asked.mutable else ' read'}"
    if isinstance(asked, types.NamedTuple) and asked.instance_class is Network:
        return "Network"
    if isinstance(asked, types.Boolean | types.Integer | types.Float):
        return str(asked.name)
    raise ValueError(f"no word for {asked}")


def type_named(word: str) -> Any:
    """The type of the compiler that a word of the table stands for."""
    scalar, *shape = word.split(" ")
    if word == "Network":
        axes = [2 if name == "hidden" else 1 for name in Network._fields]
        return types.NamedTuple([types.Array(types.float64, count, "C") for count in axes], Network)
    element = types.boolean if scalar == "bool" else getattr(types, scalar)
    if not shape:
        return element
    return types.Array(element, int(shape[0][:-1]), shape[0][-1], readonly=shape[1:] == ["read"])


def compile_line(line: str) -> str | None:
    """Compile one line of the table; the answer is why it could not be done."""
    name, _, words = line.partition("\t")
    module, _, kernel = name.partition(":")
    try:
        signature = tuple(type_named(word) for word in words.split("; "))
        getattr(import_module(module), kernel).dispatcher.compile(signature)
    except Exception as trouble:  # whatever it is: the kernel is compiled, or fails, where it is called
        return f"{name}: {type(trouble).__name__}: {trouble}"
    return None


def compile_kernels(lines: Sequence[str] | None = None, processes: int | None = None) -> list[str]:
    """Compile what the table names, on all cores; the answer is what could not be compiled, and why."""
    if PLAIN:
        return []
    lines = read_signatures() if lines is None else lines
    processes = processes or min(os.cpu_count() or 1, MOST_PROCESSES)
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return [trouble for trouble in pool.map(compile_line, lines) if trouble]


if __name__ == "__main__":
    sys.exit("\n".join(compile_kernels()) or 0)
