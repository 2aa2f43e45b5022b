"""Walls in a plane, as depths of the back face along a line: flat, rough, with grooves, wasted."""

from __future__ import annotations

import math

import numpy as np

from .plane_probes import Wall


def flat(thickness_mm: float) -> Wall:
    """Return a wall of one thickness."""
    return lambda at: thickness_mm


def waved(thickness_mm: float, high_mm: float, long_mm: float) -> Wall:
    """Return a smooth wall that swings by ``high_mm`` to either side."""
    return lambda at: thickness_mm + high_mm * math.sin(2.0 * math.pi * at / long_mm)


def rough(thickness_mm: float, rms_mm: float, correlation_mm: float, seed: int) -> Wall:
    """Return a wall whose depth is Gaussian noise, its correlation exp(−(lag / length)²)."""
    step = 0.02
    grid = np.arange(-40.0, 40.0, step)
    # White noise seen through exp(−2 (lag / length)²) has that correlation: variances add up.
    lag = np.arange(-3.0 * correlation_mm, 3.0 * correlation_mm, step)
    white = np.random.default_rng(seed).standard_normal(grid.size)
    height = np.convolve(white, np.exp(-2.0 * (lag / correlation_mm) ** 2), "same")
    height *= rms_mm / height.std()
    return lambda at: thickness_mm + float(np.interp(at, grid, height))


def groove(shape: str, width_mm: float, deep_mm: float, middle_mm: float) -> Wall:
    """Return what a groove takes from a wall: ``flat`` bottom, ``vee`` or half ``round``."""
    half = 0.5 * width_mm

    def taken(at: float) -> float:
        part = abs(at - middle_mm) / half
        if part >= 1.0:
            return 0.0
        return deep_mm * {"flat": 1.0, "vee": 1.0 - part, "round": math.sqrt(1.0 - part**2)}[shape]

    return taken


def less(wall: Wall, *grooves: Wall) -> Wall:
    """Return a wall with grooves; where they cross, the deeper one counts."""
    return lambda at: wall(at) - max(each(at) for each in grooves)


def seen_from(wall: Wall, place_mm: float) -> Wall:
    """Return the wall as a probe at a place along it has it under its own axis."""
    return lambda at: wall(place_mm + at)


def truth(wall: Wall, beam_mm: float) -> tuple[float, float, float]:
    """Return the wall at the axis, and its mean and least under a beam so wide, in mm."""
    under = np.array([wall(float(at)) for at in np.linspace(-0.5, 0.5, 201) * beam_mm])
    return wall(0.0), float(under.mean()), float(under.min())
