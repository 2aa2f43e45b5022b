"""The colours of thickness: one even ramp of lightness, dark where the wall is thin.

Own scale. Lightness falls evenly from thick to thin, so that it reads the same in grey print and to
every eye; the hue only helps. Ground without a reading is never on the ramp: it is hatched.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ascan.kernels.arrays import FloatArray

# Lightness, chroma and hue (degrees) in OKLCh at the thin end, two places between, the thick end.
STOPS = np.array([0.0, 0.36, 0.7, 1.0])
LIGHTNESS = (0.27, 0.95)
CHROMA = np.array([0.075, 0.085, 0.075, 0.03])
HUE_DEG = np.array([-20.0, 35.0, 80.0, 130.0])


def ramp(count: int = 256) -> FloatArray:
    """Return the colours from thin to thick, shape (count, 3), sRGB from 0 to 1.

    References
    ----------
    OKLab to linear sRGB: B. Ottosson 2020, "A perceptual color space for image processing" (public
    domain; matrices from memory); linear to sRGB: IEC 61966-2-1.

    Examples
    --------
    >>> thin, thick = ramp(2).round(2)
    >>> bool(thin.mean() < thick.mean())
    True
    """
    at = np.linspace(0.0, 1.0, count)
    lightness = LIGHTNESS[0] + (LIGHTNESS[1] - LIGHTNESS[0]) * at
    chroma, hue = np.interp(at, STOPS, CHROMA), np.deg2rad(np.interp(at, STOPS, HUE_DEG))
    lab = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])
    to_cones = np.array(
        [
            [1.0, 0.3963377774, 0.2158037573],
            [1.0, -0.1055613458, -0.0638541728],
            [1.0, -0.0894841775, -1.2914855480],
        ]
    )
    to_rgb = np.array(
        [
            [4.0767416621, -3.3077115913, 0.2309699292],
            [-1.2684380046, 2.6097574011, -0.3413193965],
            [-0.0041960863, -0.7034186147, 1.7076147010],
        ]
    )
    linear = (to_rgb @ (to_cones @ lab) ** 3).clip(0.0, 1.0)
    low = linear * 12.92
    high = 1.055 * linear ** (1.0 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, low, high).T)


def colour_map(count: int = 256, *, reverse: bool = False) -> Any:
    """Return the ramp for matplotlib, in so many steps, thick to thin with ``reverse``."""
    from matplotlib.colors import ListedColormap

    # One step alone is neither thin nor thick.
    colours = ramp(count) if count > 1 else ramp(3)[1:2]
    return ListedColormap((colours[::-1] if reverse else colours).tolist(), name="wall")
