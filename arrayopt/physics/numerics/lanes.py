"""Products of one complex matrix with the states of many chips, a lane each (M12.5).

A row of a state is ``LANES`` numbers of one kind, one a chip. Every lane's sum runs over the
columns in order, whatever the width of the processor's vectors, so a chip's result depends neither
on its neighbours nor on the machine's vectors.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import numpy as np
from llvmlite import binding, ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic
from numpy.typing import NDArray

from arrayopt.physics.numerics.compiled import inner

LANES = 16
"""Chips side by side."""
ROWS = 4
"""Rows of the matrix that are summed at once: as many as the registers of any processor hold."""

_WIDE = 64 if binding.get_host_cpu_features().get("avx512f") else 32
"""Bytes of a vector."""


@intrinsic
def _tile(_: Any, matrix: Any, x: Any, y: Any, columns: Any, block: Any, lane: Any) -> Any:
    """y of ``ROWS`` rows and one vector of lanes; see `multiply`."""
    real = x.dtype
    size = real.bitwidth // 8
    width = _WIDE // size
    i32, i64 = ir.IntType(32), ir.IntType(64)

    def generate(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        element = context.get_value_type(real)
        vector = ir.VectorType(element, width)
        name = f"llvm.fma.v{width}f{real.bitwidth}"
        fma = cgutils.get_or_insert_function(  # type: ignore[no-untyped-call]
            builder.module, ir.FunctionType(vector, [vector] * 3), name
        )
        data = [
            context.make_array(kind)(context, builder, value).data
            for kind, value in zip(signature.args[:3], values[:3], strict=True)
        ]
        n, b, first = values[3:]
        entry = builder.mul(b, builder.mul(n, i64(2 * ROWS)))
        source = builder.gep(data[1], [first])
        target = builder.gep(data[2], [builder.add(first, builder.mul(b, i64(2 * ROWS * LANES)))])
        before = builder.block
        loop, done = (builder.append_basic_block(part) for part in ("tile", "tiled"))
        builder.branch(loop)
        builder.position_at_end(loop)
        column = builder.phi(i64)
        column.add_incoming(i64(0), before)
        sums = [builder.phi(vector) for _ in range(2 * ROWS)]
        for total in sums:
            total.add_incoming(ir.Constant(vector, [ir.Constant(element, 0.0)] * width), before)
        undefined = ir.Constant(vector, ir.Undefined)
        everywhere = ir.Constant(ir.VectorType(i32, width), [0] * width)

        def lanes(offset: int) -> Any:
            place = builder.add(builder.mul(column, i64(2 * LANES)), i64(offset))
            pointer = builder.bitcast(builder.gep(source, [place]), vector.as_pointer())
            return builder.load(pointer, align=size)

        def coefficient(k: int) -> Any:
            place = builder.add(entry, builder.add(builder.mul(column, i64(2 * ROWS)), i64(k)))
            one = builder.load(builder.gep(data[0], [place]))
            one = builder.insert_element(undefined, one, i32(0))
            return builder.shuffle_vector(one, undefined, everywhere)

        re, im = lanes(0), lanes(LANES)
        new = []
        for r in range(ROWS):
            a, b_ = coefficient(2 * r), coefficient(2 * r + 1)
            part = builder.call(fma, [a, re, sums[2 * r]])
            new.append(builder.call(fma, [builder.fneg(b_), im, part]))
            part = builder.call(fma, [a, im, sums[2 * r + 1]])
            new.append(builder.call(fma, [b_, re, part]))
        following = builder.add(column, i64(1))
        column.add_incoming(following, loop)
        for total, value in zip(sums, new, strict=True):
            total.add_incoming(value, loop)
        builder.cbranch(builder.icmp_signed("<", following, n), loop, done)
        builder.position_at_end(done)
        for k, value in enumerate(new):
            pointer = builder.bitcast(builder.gep(target, [i64(k * LANES)]), vector.as_pointer())
            builder.store(value, pointer, align=size)
        return context.get_dummy_value()

    return types.void(matrix, x, y, types.int64, types.int64, types.int64), generate


_sum_tile = cast(Callable[..., None], _tile)


@inner
def multiply(matrix: NDArray[Any], x: NDArray[Any], y: NDArray[Any], columns: int) -> None:
    """y = matrix x for every lane; all three flat, of one kind, in C order, not overlapping.

    ``x`` (column, re and im, lane), ``y`` (row, re and im, lane), ``matrix`` (row // ROWS, column,
    row % ROWS, re and im).
    """
    step = np.int64(_WIDE // x.itemsize)
    for block in range(y.size // (2 * ROWS * LANES)):
        for k in range(LANES // step):
            _sum_tile(matrix, x, y, columns, block, k * step)
