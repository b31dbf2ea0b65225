"""The one sum that a sample's heat balance costs most by: rows of the propagator weighted by states and inputs.

Left to the compiler's own loops it took 93 ns of 325 ns a sample (tern-14): sums went through memory after every four
rows.  Written out in vector lanes, with the sums held in registers, it takes a third of that.
"""

from __future__ import annotations

from thermnet.solve.kernel.arrays import LANES
from thermnet.solve.kernel.compiling import FREEDOMS, numba

if numba is None:

    def weigh_rows(slot, s, v, propagate, push, result):
        """Put ``push[s] + v @ propagate[slot, s]`` into ``result``."""
        result[:] = push[s] + v @ propagate[slot, s]

else:
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.core.errors import NumbaTypeError
    from numba.extending import intrinsic

    FREE = tuple(FREEDOMS)
    INDEX = ir.IntType(64)
    VECTOR = ir.VectorType(ir.DoubleType(), LANES)

    @intrinsic
    def weigh_rows(typing, slot, s, v, propagate, push, result):
        """Put ``push[s] + v @ propagate[slot, s]`` into ``result``; lengths are whole lanes and an even number of rows."""
        arrays = (v, propagate, push, result)
        if any(not isinstance(a, types.Array) or a.layout != "C" or a.dtype != types.float64 for a in arrays):
            raise NumbaTypeError("weigh_rows works on contiguous float64 arrays")
        return types.void(slot, s, *arrays), _in_lanes

    def _in_lanes(context, builder, signature, arguments):
        slot, s = (context.cast(builder, value, kind, types.intp) for value, kind in zip(arguments[:2], signature.args[:2], strict=True))
        kinds = signature.args[2:]
        v, propagate, push, result = (
            context.make_array(kind)(context, builder, value) for kind, value in zip(kinds, arguments[2:], strict=True)
        )
        zero, one = ir.Constant(INDEX, 0), ir.Constant(INDEX, 1)

        def start(kind, array, *index):
            return cgutils.get_item_pointer(context, builder, kind, array, list(index))

        from_weights, from_rows = start(kinds[0], v, zero), start(kinds[1], propagate, slot, s, zero, zero)
        from_push, to_result = start(kinds[2], push, s, zero), start(kinds[3], result, zero)
        (length,), (width,) = (cgutils.unpack_tuple(builder, array.shape) for array in (v, result))

        def lanes(pointer, index):
            return builder.bitcast(builder.gep(pointer, [index]), VECTOR.as_pointer())

        def add_row(row, column, total):
            weight = builder.load(builder.gep(from_weights, [row]))
            single = builder.insert_element(ir.Constant(VECTOR, ir.Undefined), weight, ir.Constant(ir.IntType(32), 0))
            everywhere = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
            spread = builder.shuffle_vector(single, ir.Constant(VECTOR, ir.Undefined), everywhere)
            numbers = builder.load(lanes(from_rows, builder.add(builder.mul(row, width), column)), align=8)
            product = builder.fmul(spread, numbers, flags=FREE)
            builder.store(builder.fadd(product, builder.load(total), flags=FREE), total)

        with cgutils.for_range_slice(builder, zero, width, ir.Constant(INDEX, LANES), INDEX) as (column, _):
            # Two sums, so that one addition need not wait for the other.
            even = cgutils.alloca_once_value(builder, builder.load(lanes(from_push, column), align=8))
            odd = cgutils.alloca_once_value(builder, ir.Constant(VECTOR, [0.0] * LANES))
            with cgutils.for_range_slice(builder, zero, length, ir.Constant(INDEX, 2), INDEX) as (row, _):
                add_row(row, column, even)
                add_row(builder.add(row, one), column, odd)
            total = builder.fadd(builder.load(even), builder.load(odd), flags=FREE)
            builder.store(total, lanes(to_result, column), align=8)
        return context.get_dummy_value()
