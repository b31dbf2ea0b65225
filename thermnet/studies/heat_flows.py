"""Temperatures of all places of a network, and the heat through every link and stream, by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermnet.errors import NetworkError
from thermnet.network.compiled import CompiledNetwork
from thermnet.network.graph import nearest
from thermnet.solve.transient import heat_of_links

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Flows:
    """Temperatures of all nodes and boundaries, and the heat through every link and stream.

    ``links`` and ``streams`` hold (name, first end, second end, W or W/K).
    """

    labels: tuple[str, ...]
    boundaries: tuple[str, ...]
    temperatures: Array
    capacity: Mapping[str, float]
    links: tuple[tuple[str, str, str, float], ...]
    streams: tuple[tuple[str, str, str, float], ...]

    @classmethod
    def of(cls, compiled: CompiledNetwork, full: Array) -> Flows:
        """Read them off a compiled network at temperatures of all rows."""
        labels = (*compiled.nodes, *compiled.boundaries)
        names, heat = heat_of_links(compiled, full[None, :])
        ends = [*compiled.link_ends, *compiled.law_ends]
        links = tuple(
            (n, labels[a], labels[b], float(q)) for n, (a, b), q in zip(names, ends, heat[0], strict=False)
        )
        streams = tuple(
            (name, labels[a], labels[b], float(rate))
            for name, (a, b), rate in zip(
                compiled.stream_names, compiled.stream_ends, compiled.stream_rate, strict=True
            )
            if rate > 0
        )
        capacity = dict(zip(compiled.nodes, compiled.capacity.tolist(), strict=True))
        return cls(labels, compiled.boundaries, full, capacity, links, streams)

    def temperature(self, name: str) -> float:
        """Temperature of a node or boundary, degC."""
        if name not in self.labels:
            raise NetworkError(f"unknown node {name!r}{nearest(name, self.labels)}")
        return float(self.temperatures[self.labels.index(name)])

    def away(self, name: str) -> list[tuple[str, str, float]]:
        """Links of a node as (link, other end, heat away from the node in W)."""
        return [
            (n, b if a == name else a, q if a == name else -q) for n, a, b, q in self.links if name in (a, b)
        ]

    def upstream(self, name: str) -> list[tuple[str, float]]:
        """Where the air of a node comes from: (node, W/K)."""
        return [(a, w) for _, a, b, w in self.streams if b == name]


__all__ = ["Flows"]
