"""Fan noise: level against speed, sums, distance, blade tone, A-weighting, loudness, speed for a level.

Levels are A-weighted sound pressure levels at the operator in dBA unless said; speeds in rpm, SI otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

SILENCE = 0.0
"""dBA of a stopped fan: the threshold of hearing stands for minus infinity."""


def level_change(speed_ratio: Any, exponent: Any = 55.0) -> Any:
    """Change of level in dB when a fan's speed changes by a ratio: exponent x log10(ratio).

    Parameters
    ----------
    speed_ratio : float or array
        New speed over old, above 0.
    exponent : float or array
        dB per tenfold speed, 50 to 60 (sound power grows with the fifth to sixth power of speed).

    Source: fan laws; 50 in common use, 55 and 60 measured on small fans (common practice).
    """
    return exponent * np.log10(speed_ratio)


def level_at_speed(
    reference_level: Any, speed_rpm: Any, reference_speed_rpm: Any, exponent: Any = 55.0
) -> Any:
    """Level in dBA of a fan at a speed, from its level at a reference speed; never below ``SILENCE``."""
    ratio = np.maximum(np.asarray(speed_rpm, dtype=float) / reference_speed_rpm, 1e-12)
    return np.maximum(reference_level + level_change(ratio, exponent), SILENCE)


def add_levels(levels: Sequence[Any] | Any) -> Any:
    """Energetic sum 10 log10(sum of 10^(L/10)) of incoherent sources, over the first axis.

    Parameters
    ----------
    levels : sequence
        Levels of the sources in dB; each a number or an array (they broadcast).

    Raises
    ------
    ValueError
        No source given.
    """
    given = list(levels)
    if not given:
        raise ValueError("add_levels: no levels given; expected at least one source")
    stacked = np.stack(np.broadcast_arrays(*[np.asarray(level, dtype=float) for level in given]))
    loudest = stacked.max(axis=0)
    return loudest + 10.0 * np.log10(np.sum(10.0 ** ((stacked - loudest) / 10.0), axis=0))


def surface_term(area: Any) -> Any:
    """Sound power level minus mean pressure level over a surface of S m^2, 10 log10(S), dB (ISO 3744)."""
    return 10.0 * np.log10(area)


def operator_level(sound_power_level: Any, distance: Any = 0.5) -> Any:
    """Pressure level at the operator, Lw - 10 log10(2 pi r^2): hemisphere over a table top.

    Parameters
    ----------
    sound_power_level : float or array
        dB(A) re 1 pW.
    distance : float or array
        m from the machine.

    A declared level in bels is the sound power level over 10.  Source: ISO 3744, hemispherical surface.
    """
    return sound_power_level - surface_term(2.0 * np.pi * np.square(distance))


def distance_change(first_distance: Any, second_distance: Any) -> Any:
    """Drop of level in dB from a first to a second distance in the free field: 20 log10(r2 / r1)."""
    return 20.0 * np.log10(np.asarray(second_distance, dtype=float) / first_distance)


def blade_pass_frequency(blades: Any, speed_rpm: Any) -> Any:
    """Blade-pass tone in Hz: blades x rpm / 60."""
    return blades * np.asarray(speed_rpm, dtype=float) / 60.0


def a_weighting(frequency: Any) -> Any:
    """A-weighting in dB at a frequency in Hz, 0 at 1 kHz.

    Source: IEC 61672-1 annex E, analytic form with poles at 20.6, 107.7, 737.9 and 12194 Hz.
    """

    def gain(f: Any) -> Any:
        s = np.square(np.asarray(f, dtype=float))
        p1, p2, p3, p4 = 20.598997**2, 107.65265**2, 737.86223**2, 12194.217**2
        return p4 * s**2 / ((s + p1) * np.sqrt((s + p2) * (s + p3)) * (s + p4))

    return 20.0 * np.log10(gain(frequency) / gain(1000.0))


def sones(phons: Any) -> Any:
    """Loudness in sone from loudness level in phon: 2^((L - 40)/10) from 40 phon, (L/40)^2.642 below.

    A level in dBA is only a rough stand-in for phons.  Source: Stevens; the lower branch as in ISO 532-1 for
    quiet sounds; both give 1 sone at 40 phon.
    """
    level = np.asarray(phons, dtype=float)
    return np.where(
        level >= 40.0, 2.0 ** ((level - 40.0) / 10.0), (np.clip(level, 0.0, 40.0) / 40.0) ** 2.642
    )


def speed_ratio_for_level(level_cap: Any, reference_levels: Sequence[Any], exponents: Sequence[Any]) -> Any:
    """Find the common share of their reference speeds at which several fans make just ``level_cap``.

    Parameters
    ----------
    level_cap : float or array
        dBA for all fans together.
    reference_levels, exponents : sequence
        Level of each fan at its reference speed (dBA) and its dB per tenfold speed (above 0).

    Returns
    -------
    float or array
        Speed over reference speed, the same for all fans.

    The sum of levels is convex and rising in log(speed), so Newton's steps close in on the root from one
    side.
    """
    levels = [np.asarray(level, dtype=float) for level in reference_levels]
    slopes = [np.asarray(slope, dtype=float) for slope in exponents]
    if not levels or len(levels) != len(slopes):
        raise ValueError(f"{len(levels)} levels and {len(slopes)} exponents; expected one of each per fan")
    x: Any = 0.0
    for _ in range(60):
        each = [level + slope * x for level, slope in zip(levels, slopes, strict=True)]
        total = add_levels(each)
        slope = sum(10.0 ** ((e - total) / 10.0) * s for e, s in zip(each, slopes, strict=True))
        step = (level_cap - total) / slope
        x = x + step
        if np.all(np.abs(step) < 1e-13):
            break
    return 10.0**x
