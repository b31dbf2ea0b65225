"""The thermal graph and its compiled form."""

from thermnet.network.graph import ThermalNetwork, nearest
from thermnet.network.laws import DryOut, Leakage, LinkLaw, Melting, SurfaceExchange

__all__ = ["DryOut", "Leakage", "LinkLaw", "Melting", "SurfaceExchange", "ThermalNetwork", "nearest"]
