"""The compiled core: firmware and heat balance of one machine, one control sample after another.

Everything here works on plain float64 and int64 arrays grouped in named tuples, so that the same functions run
compiled (numba) or, where numba cannot be used, as ordinary Python.  Functions marked ``woven_in``
become part of their caller (:mod:`thermnet.solve.kernel.compiling`).

The heat balance is ``dx/dt = A x + B u`` plus laws whose departure from a reference conductance is an input.
Over one sample of ``h`` seconds (exponential time differencing of second order, S. M. Cox and P. C. Matthews,
J. Comput. Phys. 176, 2002, 430-455)::

    x1 = exp(hA) x0 + h phi_1(hA) B u0                     predictor, exact for constant inputs
    x  = x1 + h phi_2(hA) B (u1 - u0)                      corrector, inputs taken as a ramp

with an error estimate from the inputs evaluated half way, and halved steps where it is too large.
"""

from thermnet.solve.kernel.arrays import (
    AT,
    BURST,
    CHIP,
    CODE,
    CONTROLLER,
    DEMAND,
    DEPARTURE,
    DONE,
    DRY,
    FAST,
    FROM,
    INPUT,
    INPUT_FROM,
    INPUT_TO,
    JUNCTION,
    LIMIT_FLAGS,
    LIMIT_HIT,
    NEED_LEVEL,
    PEAK,
    POWER,
    POWER_SUM,
    REFERENCE,
    RUNAWAY,
    SHARED,
    SKIN,
    SLOPE,
    STATE,
    SUBDIVISIONS,
    SUSTAINED,
    TO,
    Record,
    Rules,
    Senses,
    Silicon,
    State,
    Thermal,
    Tuning,
    Watch,
    WorkSpace,
    whole_lanes,
    work_space,
)
from thermnet.solve.kernel.firmware import sense
from thermnet.solve.kernel.laws import departures_at_rest, law_departure
from thermnet.solve.kernel.loop import run_loop

__all__ = [
    "AT",
    "BURST",
    "CHIP",
    "CODE",
    "CONTROLLER",
    "DEMAND",
    "DEPARTURE",
    "DONE",
    "DRY",
    "FAST",
    "FROM",
    "INPUT",
    "INPUT_FROM",
    "INPUT_TO",
    "JUNCTION",
    "LIMIT_FLAGS",
    "LIMIT_HIT",
    "NEED_LEVEL",
    "PEAK",
    "POWER",
    "POWER_SUM",
    "REFERENCE",
    "RUNAWAY",
    "SHARED",
    "SKIN",
    "SLOPE",
    "STATE",
    "SUBDIVISIONS",
    "SUSTAINED",
    "TO",
    "Record",
    "Rules",
    "Senses",
    "Silicon",
    "State",
    "Thermal",
    "Tuning",
    "Watch",
    "WorkSpace",
    "departures_at_rest",
    "law_departure",
    "run_loop",
    "sense",
    "whole_lanes",
    "work_space",
]
