"""The colours of thickness: even in lightness, told apart in grey and by colour-blind eyes."""

import numpy as np

from ascan.kernels.arrays import FloatArray
from ascan.report.scale import ramp


def lightness(colour: FloatArray) -> FloatArray:
    """Return CIE L* of sRGB colours (IEC 61966-2-1, CIE 15)."""
    linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    y = linear @ np.array([0.2126, 0.7152, 0.0722])
    return np.where(y > 216 / 24389, 116.0 * np.cbrt(y) - 16.0, y * 24389 / 27)


def test_lightness_grows_evenly_from_thin_to_thick() -> None:
    steps = np.diff(lightness(ramp(64)))
    assert steps.min() > 0.0
    assert steps.max() < 1.6 * steps.mean()
    assert steps.min() > 0.5 * steps.mean()


def test_grey_print_tells_thin_from_thick() -> None:
    grey = lightness(ramp(2))
    assert grey[1] - grey[0] > 60.0


def test_colours_stay_inside_what_a_screen_shows() -> None:
    colours = ramp(256)
    assert ((colours >= 0.0) & (colours <= 1.0)).all()
    assert ((colours > 0.0) & (colours < 1.0)).mean() > 0.95
