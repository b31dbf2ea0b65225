"""A design: parts, joints, sensors and modes, ready to become a network and to be simulated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from thermnet import parameter
from thermnet.firmware.mode import Mode
from thermnet.firmware.sensor import Sensor
from thermnet.firmware.workload import Workload
from thermnet.parameter import names, quantity, text
from thermnet.parts.base import Part

if TYPE_CHECKING:
    from thermnet.firmware.controller import Controller
    from thermnet.network import ThermalNetwork
    from thermnet.run import Run
    from thermnet.solve.ensemble import EnsembleRun
    from thermnet.solve.machine import Machine
    from thermnet.solve.plant import Plant


@dataclass(frozen=True, kw_only=True)
class Joint:
    """Two faces brought together, through an interface part or a plain resistance."""

    between: tuple[str, ...] = names(doc="two faces, each part.face")
    through: str = text(default="", doc="interface part that lies in the joint")
    resistance: float | None = quantity("K/W", default=None, above=0.0, step=0.02, doc="plain resistance of the joint")
    area: float | None = quantity("m^2", default=None, above=0.0, shown="mm^2", doc="contact area, where neither face has one")

    def __post_init__(self) -> None:
        parameter.check(self)


@dataclass(frozen=True, kw_only=True)
class Design:
    """One machine.  Immutable: :meth:`replace` gives a changed copy."""

    name: str = text(doc="short name")
    title: str = text(default="", doc="one line")
    note: str = text(default="", doc="where the numbers come from")
    ambient: float = quantity("degC", default=25.0, at_least=-20.0, at_most=60.0, plausible=(15.0, 40.0), step=1.0,
                              doc="room temperature")  # fmt: skip
    altitude: float = quantity("m", default=0.0, at_least=-400.0, at_most=6000.0, plausible=(0.0, 3000.0), step=250.0,
                               doc="height above sea level")  # fmt: skip
    posture: str = text(default="desk", doc="how the machine is held: desk, lap, bed, stand, closed")
    parts: Mapping[str, Part] = field(default_factory=dict)
    joints: tuple[Joint, ...] = ()
    sensors: Mapping[str, Sensor] = field(default_factory=dict)
    modes: Mapping[str, Mode] = field(default_factory=dict)
    workloads: Mapping[str, Workload] = field(default_factory=dict)
    source: str = ""

    # -- changing ------------------------------------------------------------------------------------------

    def replace(self, **changes: Any) -> Design:
        """Return a changed copy; keys are dotted (``**{"interface.material": "phase_change"}``).

        Values are texts with a unit, or numbers (or arrays over samples) in the inside unit.

        Raises
        ------
        DesignError
            Lists every key or value that does not fit, with the nearest valid name.
        """
        from thermnet.design.replace import replace_in

        return replace_in(self, changes)

    # -- solving -------------------------------------------------------------------------------------------

    def network(self, mode: str | None = None, ambient: float | None = None) -> ThermalNetwork:
        """Thermal network of the design with its fans at the mode's speed cap (full speed without a mode).

        Parameters
        ----------
        mode : str, optional
            Name of a mode, whose noise and speed caps set the fans.
        ambient : float, optional
            Room temperature in degC; the design's own if left out.
        """
        from thermnet.design.assemble import assemble, full_speed
        from thermnet.solve.pack import mode_of, speed_cap

        room = self.ambient if ambient is None else float(ambient)
        speeds = full_speed(self)
        if mode is not None:
            machine, chosen = self.machine(room), mode_of(self.modes, mode)
            speeds = {name: speed_cap(machine, chosen, name) for name in speeds}
        return assemble(self, room, speeds).network

    def machine(self, ambient: float | None = None) -> Machine:
        """What the closed loop needs to know of the design at one ambient."""
        from thermnet.design.assemble import build_machine

        room = self.ambient if ambient is None else float(ambient)
        if not np.isfinite(room) or not -20.0 <= room <= 60.0:
            raise ValueError(f"ambient {ambient!r}; expected a temperature from -20 to 60 degC")
        if room not in self._kept:
            self._kept[room] = build_machine(self, room)
        machine: Machine = self._kept[room]
        return machine

    def plant(self, ambient: float | None = None, period: float = 0.1) -> Plant:
        """Propagators of the design at one ambient and control period, kept for later runs."""
        from thermnet.solve.plant import Plant

        machine = self.machine(ambient)
        key = (machine.ambient, float(period))
        if key not in self._kept:
            self._kept[key] = Plant(machine, float(period))
        plant: Plant = self._kept[key]
        return plant

    def simulate(
        self, workload: Any, mode: str = "desk", ambient: Any = None, duration: float | None = None,
        start: Any = "idle", *, tolerance: float = 0.01, every: int = 1, controller: Controller | None = None,
        progress: bool = False,
    ) -> Run:  # fmt: skip
        """Simulate the machine with its firmware in the loop.

        Parameters
        ----------
        workload : str, Workload, float, (times, watts), mapping or path
            A load by name, a number of W on the first chip, a piecewise constant demand, W by chip, or a CSV log.
        mode : str
            Name of a mode of the design.
        ambient : float or (times, degC), optional
            Room temperature in degC; the design's own if left out; a pair lets it vary (linear between times).
        duration : float, optional
            s; the workload's own length if left out.
        start : "idle", "cold", W, mapping of chip to W, or Run
            Soaked at idle, everything at ambient, soaked at a power, or where another run ended.
        tolerance : float
            K; see :func:`thermnet.solve.closed_loop.simulate`.
        every : int
            Keep every n-th control sample.
        controller : Controller, optional
            A controller of your own (:mod:`thermnet.firmware.controller`) in place of the mode's.
        progress : bool
            Show a progress bar.

        Raises
        ------
        DesignError, NetworkError, ValueError
            A name, file or value that does not fit.
        """
        from thermnet import __version__
        from thermnet.firmware.library import as_workload
        from thermnet.solve.closed_loop import simulate
        from thermnet.solve.pack import mode_of

        varying = ambient if isinstance(ambient, tuple | list) else None
        room = self.ambient if ambient is None else float(np.asarray(varying[1])[0] if varying else ambient)
        chosen = mode_of(self.modes, mode)
        plant = self.plant(room, chosen.period)
        names = [chip.name for chip in plant.machine.chips]
        load = self.workloads[workload] if isinstance(workload, str) and workload in self.workloads else as_workload(workload, names)
        provenance = {
            "design": self.name, "design_source": self.source, "version": __version__, "mode": mode, "ambient_degC": room,
            "altitude_m": float(np.mean(self.altitude)), "posture": self.posture,
        }  # fmt: skip
        return simulate(plant, chosen, load, duration=duration, start=start, tolerance=tolerance, every=every,
                        ambient=varying, controller=controller, progress=progress, provenance=provenance)  # fmt: skip

    def __getstate__(self) -> dict[str, Any]:
        # Machines and plants hold closures; another process builds its own.
        return {name: value for name, value in self.__dict__.items() if name != "_kept"}

    @property
    def samples(self) -> int | None:
        """Number of samples if any parameter is an array, else None."""
        from thermnet.design.samples import sample_count

        return sample_count(self)

    def sample(self, index: int) -> Design:
        """One sample of a design with array-valued parameters."""
        from thermnet.design.samples import taken

        return taken(self, index)

    def ensemble(
        self, workload: Any, mode: str = "desk", ambient: float | None = None, duration: float | None = None,
        start: Any = "idle", *, traces: Sequence[str] = (), trace_period: float = 10.0, tolerance: float = 0.01,
        workers: int | None = None, progress: bool = False,
    ) -> EnsembleRun:  # fmt: skip
        """Simulate every sample of a design whose parameters are arrays (see :meth:`replace`).

        Parameters
        ----------
        workload, mode, ambient, duration, tolerance, progress
            As for :meth:`simulate`.
        start : "idle", "cold", W, or mapping of chip to W
        traces : node names, ``power.<chip>`` or ``fan_speed.<fan>``
            Histories to keep, every ``trace_period`` s; everything else is streamed into scalar outputs.
        workers : int, optional
            Threads; one more than cores if left out.  Results do not depend on it.

        Returns
        -------
        EnsembleRun
        """
        from thermnet.design.ensembles import simulate_ensemble

        return simulate_ensemble(
            self, workload, mode, ambient, duration, start, traces=traces, trace_period=trace_period, tolerance=tolerance,
            workers=workers, progress=progress,
        )  # fmt: skip

    @cached_property
    def _kept(self) -> dict[Any, Any]:
        """Machines and plants already built; a changed copy starts afresh."""
        return {}

    def __repr__(self) -> str:
        return f"<Design {self.name}: {len(self.parts)} parts, {len(self.joints)} joints, modes {', '.join(self.modes)}>"

    def _repr_html_(self) -> str:
        from html import escape

        rows = "".join(
            f"<tr><th style='text-align:left'>{escape(name)}</th><td>{escape(part.kind)}</td></tr>"
            for name, part in self.parts.items()
        )
        return f"<b>{escape(self.name)}</b> {escape(self.title)}<table>{rows}</table>"
