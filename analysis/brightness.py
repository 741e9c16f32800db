"""Does a line stand in the brightness itself? Or only in how uneven the ground is.

A machine's stripe changes the brightness, so it is in the mean of the brightness as it is in the mean of its
logarithm, in which lines are looked for. A picture enlarged from fewer pixels keeps the mean and is smoother between
these pixels than on them, at their even spacing [1]_; and the mean of a logarithm falls by half the variance. So on
uneven ground the pixels of a digital zoom make a line of some percent in the logarithm, which the brightness lacks.

References
----------
.. [1] A. C. Gallagher, "Detection of linear and cubic interpolation in JPEG compressed images", CRV 2005, 65-72.
       doi:10.1109/CRV.2005.33
"""
from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.flatten import Texture
from analysis.plane import Bands, make_bands
from analysis.stripes import Stripe

__all__ = ["in_brightness", "only_uneven"]

# Of 10 stripes on ground that uneven, brightness showed 0.95 to 1.06 (texture cases from 620000); of 5 lines that
# enlarging photographs of wood and grass left, 0.07 to 0.52
LEAST_SHARE = 0.75


def only_uneven(stripe: Stripe, texture: Texture, bands: Bands) -> bool:
    """Whether unevenness alone could make a line so faint, and brightness does not show it.

    The amplitude that it can make in the logarithm is half the variance, all of which would have to come and go.
    """
    few = np.s_[::3, ::3]
    used = texture.weight[few] > 0
    could = 0.5 * float(np.var(texture.log_reflectance[few][used]))
    return stripe.contrast_percent / 200.0 < could and in_brightness(stripe, texture, bands) < LEAST_SHARE


def in_brightness(stripe: Stripe, texture: Texture, bands: Bands) -> float:
    """Contrast that the stripe has in brightness over that in its logarithm, in step with it; `bands` of the latter."""
    level = np.where(texture.weight > 0, np.exp(texture.log_reflectance), np.float32(0.0))
    linear = make_bands(replace(texture, log_reflectance=level))
    w = bands.fit_weight
    a = np.radians(stripe.angle_deg)
    f = 2 * np.pi / stripe.period_mm
    wave = np.outer(np.exp(1j * f * np.sin(a) * bands.y_mm), np.exp(-1j * f * np.cos(a) * bands.x_mm))

    def amplitude(value):
        mean = (w * value).sum(axis=1, keepdims=True) / np.maximum(w.sum(axis=1, keepdims=True), 1e-12)
        return np.sum(w * (value - mean) * wave)
    mean = np.sum(w * linear.value) / w.sum()
    return float((amplitude(linear.value) / mean / amplitude(bands.value)).real)
