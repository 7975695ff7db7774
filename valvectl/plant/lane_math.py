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


def copy_eight(to: Any, first: int, numbers: Any) -> None:
    """Copy eight numbers from ``first`` on. A loop over two arrays that might overlap goes one by one."""
    to[first : first + 8] = numbers[first : first + 8]


@intrinsic
def _copy_eight(typingctx: Any, to: Any, first: Any, numbers: Any) -> Any:
    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        into, at, source = args
        eight = ir.VectorType(ir.DoubleType(), 8).as_pointer()
        found = builder.load(builder.bitcast(builder.gep(source, [at]), eight), align=8)
        builder.store(found, builder.bitcast(builder.gep(into, [at]), eight), align=8)
        return context.get_dummy_value()

    return types.void(to, types.intp, numbers), codegen


@overload(copy_eight, strict=False)
def _compiled_copy_eight(to: Any, first: int, numbers: Any) -> Any:
    return lambda to, first, numbers: _copy_eight(to, first, numbers)


def copy_corners(to: Any, first: int, row: int, pairs: Any, cells: Any, behind: int) -> None:
    """For eight lanes from ``first`` on: copy the pair of numbers at a lane's place in ``pairs`` and that ``behind`` numbers on
    into four rows of ``to``, each of ``row`` numbers. Two loads a lane, the rest is shuffling in registers."""
    for j in range(first, first + 8):
        cell = cells[j]
        to[j], to[row + j] = pairs[cell], pairs[cell + 1]
        to[2 * row + j], to[3 * row + j] = pairs[cell + behind], pairs[cell + behind + 1]


@intrinsic
def _copy_corners(typingctx: Any, to: Any, first: Any, row: Any, pairs: Any, cells: Any, behind: Any) -> Any:
    real, whole = ir.DoubleType(), ir.IntType(64)

    def codegen(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        into, begin, stride, table, at, further = args
        two, eight = ir.VectorType(real, 2).as_pointer(), ir.VectorType(real, 8).as_pointer()

        def joined(a: Any, b: Any, pick: list[int]) -> Any:
            return builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(ir.IntType(32), len(pick)), pick))

        cells = [builder.load(builder.gep(at, [builder.add(begin, whole(lane))]), align=8) for lane in range(8)]
        places = [builder.gep(table, [cell]) for cell in cells]
        for k in (0, 2):
            there = places if k == 0 else [builder.gep(place, [further]) for place in places]
            parts = [builder.load(builder.bitcast(place, two), align=8) for place in there]
            while len(parts) > 1:  # side by side: 2, 4, 8, 16 numbers
                width = parts[0].type.count
                parts = [joined(parts[i], parts[i + 1], list(range(2 * width))) for i in range(0, len(parts), 2)]
            for i in range(2):
                lanes = joined(parts[0], parts[0], list(range(i, 16, 2)))
                place = builder.add(builder.mul(stride, whole(k + i)), begin)
                builder.store(lanes, builder.bitcast(builder.gep(into, [place]), eight), align=8)
        return context.get_dummy_value()

    return types.void(to, types.intp, types.intp, pairs, cells, types.intp), codegen


@overload(copy_corners, strict=False)
def _compiled_copy_corners(to: Any, first: int, row: int, pairs: Any, cells: Any, behind: int) -> Any:
    return lambda to, first, row, pairs, cells, behind: _copy_corners(to, first, row, pairs, cells, behind)
