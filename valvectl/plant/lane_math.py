"""What a compiler needs help with to work on many lanes at once: exponential and logarithm, and copies out of tables.

The library's own functions are calls, one a lane. These are good to a few units in the last place (a test compares them with
``math``); in plain Python they are ``math``'s.
"""

from __future__ import annotations

import math
from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic, overload

from valvectl.plant.kernel_base import FAST

LOG2E = 1.4426950408889634
LN2_HIGH, LN2_LOW = 0.6931471803691238, 1.9082149292705877e-10
"""ln 2 in two parts; the first has few digits, so that small multiples of it are exact."""


def exp_down(x: float) -> float:
    """exp(-x) for x from 0 to 700."""
    return math.exp(-x)


def ln(x: float) -> float:
    """Natural logarithm of a positive number that is not subnormal."""
    return math.log(x)


@intrinsic
def _bits(typingctx: Any, x: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.bitcast(args[0], context.get_value_type(types.int64))

    return types.int64(types.float64), codegen


@intrinsic
def _number(typingctx: Any, bits: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.bitcast(args[0], context.get_value_type(types.float64))

    return types.float64(types.int64), codegen


ROUND = 6755399441055744.0
"""1.5 * 2^52: added and taken away it rounds to a whole number, and the sum's low bits are that number."""
ROUND_BITS = 0x4338000000000000


@overload(exp_down, inline="always", jit_options={"fastmath": FAST, "error_model": "numpy"})
def _exp_down(x: float) -> Any:
    def compiled(x: float) -> float:
        shifted = ROUND - LOG2E * x
        k = shifted - ROUND
        r = -x - k * LN2_HIGH - k * LN2_LOW  # within +-ln 2 / 2
        # Taylor's series, in pairs and pairs of pairs: many short sums go on at once
        q = r * r
        f = q * q
        a = (1.0 + r) + q * (0.5 + r * (1.0 / 6.0))
        b = (1.0 / 24.0 + r * (1.0 / 120.0)) + q * (1.0 / 720.0 + r * (1.0 / 5040.0))
        c = (1.0 / 40320.0 + r * (1.0 / 362880.0)) + q * (1.0 / 3628800.0 + r * (1.0 / 39916800.0))
        d = 1.0 / 479001600.0 + r * (1.0 / 6227020800.0)
        s = (a + f * b) + (f * f) * (c + f * d)
        return s * _number((_bits(shifted) - ROUND_BITS + 1023) << 52)

    return compiled


@overload(ln, inline="always", jit_options={"fastmath": FAST, "error_model": "numpy"})
def _ln(x: float) -> Any:
    def compiled(x: float) -> float:
        bits = _bits(x)
        # exponent such that the rest lies about one, between sqrt(1/2) and sqrt(2)
        whole = (bits - 0x3FE6A09E667F3BCD) >> 52
        m = _number(bits - (whole << 52))
        k = _number(whole + ROUND_BITS) - ROUND
        z = (m - 1.0) / (m + 1.0)
        q = z * z
        f = q * q
        g = f * f
        a = (1.0 / 3.0 + q * (1.0 / 5.0)) + f * (1.0 / 7.0 + q * (1.0 / 9.0))
        b = (1.0 / 11.0 + q * (1.0 / 13.0)) + f * (1.0 / 15.0 + q * (1.0 / 17.0))
        s = (a + g * b) + (g * g) * (1.0 / 19.0 + q * (1.0 / 21.0))
        return k * LN2_HIGH + (k * LN2_LOW + 2.0 * (z + z * q * s))

    return compiled


def copy_four(to: Any, at: int, table: Any, first: int) -> None:
    """Copy four numbers of a table from ``first`` on to ``to`` from ``at`` on: one load and one store each for a lane."""
    to[at : at + 4] = table[first : first + 4]


@intrinsic
def _copy_four(typingctx: Any, to: Any, at: Any, table: Any, first: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        into, where, source, which = args
        four = ir.VectorType(ir.DoubleType(), 4).as_pointer()
        numbers = builder.load(builder.bitcast(builder.gep(source, [which]), four), align=8)
        builder.store(numbers, builder.bitcast(builder.gep(into, [where]), four), align=8)
        return context.get_dummy_value()

    return types.void(to, types.intp, table, types.intp), codegen


@overload(copy_four, strict=False)
def _compiled_copy_four(to: Any, at: int, table: Any, first: int) -> Any:
    return lambda to, at, table, first: _copy_four(to, at, table, first)
