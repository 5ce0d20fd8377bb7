"""Compiled kernels from the disk, without making the compiler ready for more: that takes ten times as long as they do.

Numba readies its compiler before it looks into its cache, and what it kept names every module of its own that a part of a kernel
came from, so that these are loaded too, with the dozens that they need. A kernel that is there already needs the memory it
allocates from, nothing else. One that is not is compiled as ever: the compiler makes itself ready when it is asked.
"""

from __future__ import annotations

from typing import Any

from numba.core.caching import CompileResultCacheImpl, FunctionCache
from numba.core.environment import Environment
from numba.core.runtime import rtsys

_NO_GLOBALS = {"__name__": __name__}


class _Reduced(CompileResultCacheImpl):
    """How a compiled kernel is written and read: the surroundings of its parts by name and constants, not by module.

    Their globals are for code that falls back on the interpreter, which no kernel does.
    """

    def reduce(self, cres: Any) -> Any:
        *others, surroundings = cres._reduce()
        return *others, [(around.env_name, list(around.consts)) for around in surroundings]

    def rebuild(self, target_context: Any, payload: Any) -> Any:
        *others, named = payload
        surroundings = []
        for name, constants in named:
            around = Environment(_NO_GLOBALS)
            around.env_name = name
            around.consts[:] = constants
            surroundings.append(around)
        return super().rebuild(target_context, (*others, surroundings))


class KernelCache(FunctionCache):
    """The cache of one kernel's versions."""

    _impl_class = _Reduced

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """The kernel for the signature, or None where it was not compiled yet or its file cannot be read."""
        rtsys.initialize(target_context)
        try:
            return self._load_overload(sig, target_context)
        except Exception:  # whatever a file that was cut short gives: it is written anew
            self.flush()
            return None
