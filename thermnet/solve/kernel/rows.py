"""The one sum that a sample's heat balance costs most by: rows of the propagator weighted by states and inputs.

Left to the compiler's own loops it took 93 ns of 325 ns a sample (tern-14): sums went through memory after every four
rows.  Written out in vector lanes, with the sums held in registers, it takes a third of that (28 to 35 ns).
"""

from __future__ import annotations

from thermnet.solve.kernel.arrays import COLUMNS, LANES
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
        """Put ``push[s] + v @ propagate[slot, s]`` into ``result``; both as long as :func:`whole_lanes` says."""
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
        zero = ir.Constant(INDEX, 0)

        def start(kind, array, *index):
            return cgutils.get_item_pointer(context, builder, kind, array, list(index))

        from_weights, from_rows = start(kinds[0], v, zero), start(kinds[1], propagate, slot, s, zero, zero)
        from_push, to_result = start(kinds[2], push, s, zero), start(kinds[3], result, zero)
        (length,), (width,) = (cgutils.unpack_tuple(builder, array.shape) for array in (v, result))

        def number(value):
            return ir.Constant(INDEX, value)

        def lanes(pointer, index):
            return builder.bitcast(builder.gep(pointer, [index]), VECTOR.as_pointer())

        def everywhere(row):
            weight = builder.load(builder.gep(from_weights, [row]))
            single = builder.insert_element(ir.Constant(VECTOR, ir.Undefined), weight, ir.Constant(ir.IntType(32), 0))
            first = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
            return builder.shuffle_vector(single, ir.Constant(VECTOR, ir.Undefined), first)

        def weigh(column, vectors):
            """Sum all rows over some vectors from a column on, as many rows at a time as give four sums side by side."""
            together = COLUMNS // vectors
            places = [builder.add(column, number(LANES * k)) for k in range(vectors)]
            start_with = [[builder.load(lanes(from_push, place), align=8) for place in places]]
            start_with += [[ir.Constant(VECTOR, [0.0] * LANES)] * vectors] * (together - 1)
            sums = [[cgutils.alloca_once_value(builder, value) for value in values] for values in start_with]
            with cgutils.for_range_slice(builder, zero, length, number(together), INDEX) as (first, _):
                for k, totals in enumerate(sums):
                    row = builder.add(first, number(k))
                    weight, begin = everywhere(row), builder.mul(row, width)
                    for place, total in zip(places, totals, strict=True):
                        numbers = builder.load(lanes(from_rows, builder.add(begin, place)), align=8)
                        product = builder.fmul(weight, numbers, flags=FREE)
                        builder.store(builder.fadd(product, builder.load(total), flags=FREE), total)
            for place, totals in zip(places, zip(*sums, strict=True), strict=True):
                whole = builder.load(totals[0])
                for total in totals[1:]:
                    whole = builder.fadd(whole, builder.load(total), flags=FREE)
                builder.store(whole, lanes(to_result, place), align=8)

        # Four vectors at a time fill two lines of the cache; what is left over is done in twos and ones.
        begin = zero
        for vectors in (4, 2, 1):
            end = builder.and_(width, number(-vectors * LANES))
            with cgutils.for_range_slice(builder, begin, end, number(vectors * LANES), INDEX) as (column, _):
                weigh(column, vectors)
            begin = end
        return context.get_dummy_value()
