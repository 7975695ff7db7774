"""How the compiled simulator is compiled: fast-math flags, inlined inner functions, bare pointers instead of arrays."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit, types
from numba.extending import intrinsic, overload, register_jitable

FAST = {"nsz"}
"""Fast-math flags: none that may change a digit. Fused multiply-adds (contract) and shared reciprocals (arcp) gave nothing
measurable, and let the compiler choose another rounding for one lane of a block than for the next (seen on one processor)."""


def laws(*functions: Callable[..., Any]) -> None:
    """Make the laws of ``valvectl.parts`` callable from compiled code; in Python they stay what they are."""
    for law in functions:
        register_jitable(fastmath=FAST, error_model="numpy")(law)


def jit(function: Any) -> Any:
    """Compile an inner function of the kernel; only the entry point is cached on disk."""
    return njit(function, fastmath=FAST, error_model="numpy", inline="always")


# Inner functions take bare pointers, not arrays: numba counts references to arrays that go through calls inside loops,
# which cost more here than all the arithmetic. In plain Python (tests with bounds checks) they are ordinary views.
def flat(array: Any) -> Any:
    """A C-contiguous array as one run of numbers."""
    return array.reshape(-1)


def tail(run: Any, start: int) -> Any:
    """The same numbers from ``start`` on."""
    return run[start:]


@intrinsic
def _pointer(typingctx: Any, array: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return context.make_array(array)(context, builder, args[0]).data

    return types.CPointer(array.dtype)(array), codegen


@intrinsic
def _offset(typingctx: Any, pointer: Any, start: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.gep(args[0], [args[1]])

    return pointer(pointer, types.intp), codegen


@overload(flat, strict=False)
def _flat(array: Any) -> Any:
    return lambda array: _pointer(array)


@overload(tail, strict=False)
def _tail(run: Any, start: int) -> Any:
    return lambda run, start: _offset(run, start)
