"""The closed-loop hour: 36,000 control samples of 100 ms with the firmware in the loop, history kept."""

from __future__ import annotations

import numpy as np
from c_loop import CLoop, compiler
from cases import DIE, SKIN, Case
from contenders import by_cvode, by_scipy, has_cvode, tight
from table import Bar, Section, Stopwatch, medians

COLUMNS = ("contender", "CPU s per hour", "times ours", "run over s", "die error K", "skin error K", "other decisions")
BARS = {"LSODA": (1_000.0, 10_000.0), "CVODE": (200.0, 1_000.0)}


def run(name, size, *, allowance=1.0):
    """The hour of one machine; ``allowance`` divides the bars."""
    quick, case = size == "quick", Case.of_design(name)
    checked = 600 if quick else case.samples
    section = Section(f"hour-{name}", f"Closed-loop hour of {case.title}: {case.plant.size} states, 100 ms samples", COLUMNS)
    result = case.simulate()
    exact, network = case.second_loop(tight(), checked)

    def row(contender, seconds, trace, samples):
        die, skin = case.errors(trace, exact, network)
        section.rows.append((contender, seconds, seconds / ours, samples * 0.1, die, skin, case.other_decisions(trace, exact)))
        return die, skin

    functions = [case.simulate]
    if compiler():
        compiled, loop = CLoop(), case.loop(keep=False)
        fresh = [array.copy() for array in loop.state]

        def in_c():
            for array, start in zip(loop.state, fresh, strict=True):
                array[...] = start
            return compiled.run(loop, case.samples)

        functions.append(in_c)
    times = medians(functions, 3 if quick else 15)
    ours = times[0]
    die, skin = row("ours, Design.simulate with history", ours, case.as_trace(result, network, checked), case.samples)
    section.bars += [
        Bar(f"error at the die, {name}", die, DIE, "K", False), Bar(f"error at the skin, {name}", skin, SKIN, "K", False)
    ]  # fmt: skip
    if compiler():
        row("plain C loop of the same scheme", times[1], case.c_trace(in_c(), loop, network), case.samples)
        section.bars.append(Bar(f"ours over the C loop, {name}", ours / times[1], 2.0 * allowance, "x", False))
    else:
        section.notes.append("The plain C loop was skipped: no C compiler here.")
    stretch = 100 if quick else 3_000
    contenders = [("LSODA", "LSODA 1e-5, numpy right-hand side", by_scipy("LSODA", 1e-5), stretch)]
    if has_cvode():
        contenders.append(("CVODE", "CVODE 1e-5, compiled callbacks", by_cvode(1e-5), stretch))
    else:
        section.notes.append("CVODE was skipped: scikit-sundae is not installed.")
    contenders += [(m, f"{m} 1e-5, numpy right-hand side", by_scipy(m, 1e-5), stretch // 5) for m in ("BDF", "Radau")]
    for kind, label, advance, samples in contenders:
        case.second_loop(advance, 3)
        watch = Stopwatch(advance)
        trace, _ = case.second_loop(watch, samples)
        seconds = 36_000 * watch.per_sample(min(50, samples))
        row(f"{label}, restarted at each sample", seconds, trace, samples)
        if kind in BARS:
            asked, aim = BARS[kind]
            section.bars.append(Bar(f"{kind} over ours, {name}", seconds / ours, asked / allowance, "x", aim=aim))
    section.notes += [
        f"Reference: {'CVODE' if has_cvode() else 'Radau'} at 1e-10, restarted at each sample, over {checked * 0.1:g} s; "
        "errors are the largest over the stretch that both ran.",
        "Contenders run over less than the hour are scaled by samples; only the time inside the integrator counts, not "
        "that of the firmware in Python around it.",
    ]
    if result.time.size != case.samples + 1 or not np.isfinite(result.energy_residual):
        raise AssertionError("the run is not what was asked for")
    return section
