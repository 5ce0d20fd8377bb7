"""The compiler, and kernels from the disk without making the compiler ready for more: that takes ten times as long as they do.

Numba readies its compiler before it looks into its cache, and what it kept names every module of its own that a part of a kernel
came from, so that these are loaded too, with the dozens that they need. A kernel that is there already needs the memory it
allocates from, nothing else. One that is not is compiled as ever: the compiler makes itself ready when it is asked.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

import numba
from llvmlite import binding, ir
from numba.core import cgutils
from numba.core.caching import CompileResultCacheImpl, FunctionCache
from numba.core.environment import Environment
from numba.core.registry import cpu_target
from numba.core.runtime import _nrt_python
from numba.extending import intrinsic

types = numba.types
"""The compiler's types, for who must name them."""
_FREEDOM = {"reassoc", "nsz"}
_NO_GLOBALS = {"__name__": __name__}


@cache
def _announce_memory() -> None:
    """Tell the linker where kernels find what they allocate with, as the compiler does when it makes itself ready."""
    for name, address in _nrt_python.c_helpers.items():
        binding.add_symbol(name if name.startswith("_") else f"NRT_{name}", address)


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


class _Alone(_Reduced):
    """Of a kernel that no other calls, nothing but its name is kept for others to take in.

    The rest was half of its file, and of the time it takes to read.
    """

    def reduce(self, cres: Any) -> Any:
        (name, kind, (code, _)), *others = super().reduce(cres)
        named = f'define void @"{cres.fndesc.llvm_cpython_wrapper_name}"() {{ ret void }}'
        return (name, kind, (code, binding.parse_assembly(named).as_bitcode())), *others


class InnerKernelCache(FunctionCache):
    """The cache of one kernel's versions, for a kernel that becomes part of others."""

    _impl_class = _Reduced

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        """The kernel for the signature, or None where it was not compiled yet or its file cannot be read."""
        _announce_memory()
        try:
            return self._load_overload(sig, target_context)
        except Exception:  # whatever a file that was cut short gives: it is written anew
            self.flush()
            return None


class KernelCache(InnerKernelCache):
    """The same for a kernel that is called from outside only."""

    _impl_class = _Alone


def meet_compiler(function: Callable[..., Any], *, becomes_part_of_others: bool, is_kept: bool) -> Any:
    """The function as the compiler holds it; nothing is compiled or read before it is called."""
    compiled = numba.njit(
        nogil=True,
        no_cfunc_wrapper=True,
        forceinline=becomes_part_of_others,
        error_model="numpy",
        fastmath=_FREEDOM,
    )(function)
    if is_kept:
        compiled._cache = (InnerKernelCache if becomes_part_of_others else KernelCache)(function)
    return compiled


@intrinsic
def _borrow(_: Any, asked: Any) -> Any:
    def write(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        return _without_holder(context, builder, signature.args[0], given[0])

    return asked(asked), write


def _without_holder(context: Any, builder: Any, kind: Any, value: Any) -> Any:
    """Code for an array, or a tuple of arrays, that names no holder: the compiler counts nothing for it, nor for its slices."""
    if isinstance(kind, types.BaseTuple):
        parts = zip(kind.types, cgutils.unpack_tuple(builder, value), strict=True)
        return context.make_tuple(
            builder, kind, [_without_holder(context, builder, part, held) for part, held in parts]
        )
    array = context.make_array(kind)(context, builder, value)
    array.meminfo = ir.Constant(array.meminfo.type, None)
    return array._getvalue()


def borrowing() -> Any:
    """What the compiler takes ``kernel.borrowed`` for."""
    return cpu_target.typing_context.resolve_value_type(_borrow)
