"""Will a person see it? Stripe contrast against the eye's contrast sensitivity.

Contrast here is peak to peak over the mean, in %, as everywhere in this
package; the literature's modulation is half of that. Visibility never decides
on a cause: a stripe can be certain and invisible.
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Visibility", "barten_sensitivity", "cycles_per_degree", "mannos_sakrison_weight", "visible"]

ARMS_LENGTH_MM = 350.0
BENCH_LUMINANCE = 100.0    # cd/m2: engraved wood under a bright bench lamp; common practice, no source
FIELD_DEG = 10.0           # a piece of 60 mm at arm's length
# A person at a bench needs about 0.5 % modulation where the laboratory's best observer needs 0.153 %;
# from memory. Grain raises it further by masking.
BENCH_FACTOR = 3.3
FULL_CONTRAST = 99.0       # peak to peak; wood and char do not give more


@dataclass(frozen=True, slots=True, kw_only=True)
class Visibility:
    """Whether a stripe is seen from a distance; a factor of two either way is the model's doubt."""

    cycles_per_degree: float
    laboratory_threshold_percent: float    # peak-to-peak contrast at which the best observer just sees it
    threshold_percent: float               # the same for a person at a bench
    level: str                             # "below", "near" or "above"
    words: str


def visible(period_mm: float, contrast_percent: float, *, distance_mm: float = ARMS_LENGTH_MM,
            luminance_cd_m2: float = BENCH_LUMINANCE) -> Visibility:
    """Compare a stripe with what a person sees from a distance.

    Parameters
    ----------
    period_mm : float
    contrast_percent : float
        Peak to peak over the mean.
    distance_mm : float, default 350
        Arm's length.
    luminance_cd_m2 : float, default 100
        Of the piece; in dimmer light less is seen.

    Returns
    -------
    Visibility
        "below" the laboratory's threshold, "near" up to that of a person at a bench, "above" beyond it.

    Raises
    ------
    ValueError
        A number that is not finite, or a period, distance or luminance that is not positive.
    """
    if not (np.isfinite([period_mm, contrast_percent, distance_mm, luminance_cd_m2]).all()
            and period_mm > 0 and distance_mm > 0 and luminance_cd_m2 > 0 and contrast_percent >= 0):
        raise ValueError("period, distance and luminance must be positive numbers and contrast at least 0")
    frequency = cycles_per_degree(period_mm, distance_mm)
    best = 200.0 / float(barten_sensitivity(frequency, luminance_cd_m2=luminance_cd_m2))
    bench = BENCH_FACTOR * best
    level = "below" if contrast_percent < best else "near" if contrast_percent < bench else "above"
    says = {"below": f"below what a person sees from {distance_mm / 10:.0f} cm",
            "near": f"near the limit of what a person sees from {distance_mm / 10:.0f} cm",
            "above": f"above what a person needs to see it from {distance_mm / 10:.0f} cm"}[level]
    words = f"{contrast_percent:.2g} % every {period_mm:.3g} mm is {says} (about {bench:.2g} %)."
    if bench > FULL_CONTRAST:
        words = f"Lines every {period_mm:.3g} mm are too fine to be seen apart from {distance_mm / 10:.0f} cm."
    return Visibility(cycles_per_degree=frequency, laboratory_threshold_percent=best, threshold_percent=bench,
                      level=level, words=words)


def cycles_per_degree(period_mm: float, distance_mm: float = ARMS_LENGTH_MM) -> float:
    """Spatial frequency on the retina."""
    return float(2.0 * distance_mm * np.tan(np.radians(0.5)) / period_mm)


def barten_sensitivity(frequency: ArrayLike, *, luminance_cd_m2: float = BENCH_LUMINANCE,
                       field_deg: float = FIELD_DEG) -> NDArray[np.float64]:
    """Contrast sensitivity of an average observer: 1 / (modulation at threshold).

    Parameters
    ----------
    frequency : array_like
        Cycles per degree, above 0.
    luminance_cd_m2, field_deg : float
        Mean luminance, and side of the field that shows the stripes.

    References
    ----------
    .. [1] P. G. J. Barten, "Formula for the contrast sensitivity of the human eye",
           Proc. SPIE 5294, 231-238 (2003). doi:10.1117/12.537476 (coefficients from memory)
    """
    u2 = np.square(np.asarray(frequency, np.float64))
    numerator = 5200.0 * np.exp(-0.0016 * u2 * (1.0 + 100.0 / luminance_cd_m2) ** 0.08)
    area = 1.0 + 144.0 / field_deg ** 2 + 0.64 * u2
    noise = 63.0 / luminance_cd_m2 ** 0.83 - 1.0 / np.expm1(-0.02 * u2)
    return numerator / np.sqrt(area * noise)


def mannos_sakrison_weight(frequency: ArrayLike) -> NDArray[np.float64]:
    """Relative sensitivity, at most 0.981 near 7.9 cycles per degree: the second opinion.

    References
    ----------
    .. [1] J. L. Mannos, D. J. Sakrison, "The effects of a visual fidelity criterion on the encoding of
           images", IEEE Trans. Inf. Theory 20(4), 525-536 (1974). doi:10.1109/TIT.1974.1055250
    """
    f = 0.114 * np.asarray(frequency, np.float64)
    return 2.6 * (0.0192 + f) * np.exp(-f ** 1.1)
