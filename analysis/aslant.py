"""What stands aslant to a candidate line, taken out of its places.

Rings a degree or two from the line's angle stand one or two resolution cells
beside it across the bands, and the windows let some of them through. What gets
through has the same course along the scan as what stands beside it, and there
the line is not: so the beam's course along the scan is regressed on the courses
that the groups of bands share once the beam is taken off them, with a steady
line beside them. It is the sidelobe canceller of antenna arrays [1]_, the
bands being the array.

References
----------
.. [1] B. D. Van Veen and K. M. Buckley, "Beamforming: a versatile approach to spatial
       filtering", IEEE ASSP Magazine 5(2), 4-24 (1988). doi:10.1109/53.665
"""
from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cleared", "aslant_courses", "clear"]

MOST_COURSES = 3           # a lean that is one direction at one frequency is two or three over the range of a hill
# What leans by half a turn or more over the bands leaves no more of its energy in the beam: (sin(pi / 2) / (pi / 2))^2
MOST_IN_BEAM = 0.41
UNLIKE_LINE = 1.25         # leverage below which a course is no part of the line, wherever it stands
NATS_A_COURSE = 6.0        # of log likelihood that one must add: by chance 1 in 400 does
FEWEST_SEGMENTS = 10
ON_HILL = 1.4              # ratio of the near level to the whole from which the near one is taken
NEAR = (2, 7)              # cells from the line whose level is its noise where they stand on a hill


@dataclass(frozen=True, slots=True)
class Cleared:
    """Places without what stands aslant, and the noise that is left in their sum."""

    sums: NDArray[np.complex128]           # (groups, segments)
    variance: float                        # of the sum over all places
    floor: float                           # the same from the quieter half of the segments
    count: float                           # independent cells that `variance` rests on


def aslant_courses(sums, weights) -> NDArray[np.complex128]:
    """Courses along the scan that go over into the beam from beside it, shape (k, segments); k is 0 as a rule.

    Parameters
    ----------
    sums, weights : ndarray, shape (groups, segments)
        Places turned so that the line is steady in both.
    """
    segments = sums.shape[1]
    if segments < FEWEST_SEGMENTS or sums.shape[0] < 3:
        return sums[:0]
    steady, across = _unit(weights.sum(axis=0)), _unit(weights.sum(axis=1))
    beside = sums - np.outer(across, across @ sums)
    moving = beside - np.outer(beside @ steady, steady)
    _, vectors = np.linalg.eigh(moving @ moving.conj().T)
    courses = vectors[:, :-MOST_COURSES - 1:-1].conj().T @ beside
    beam = sums.sum(axis=0)
    # Each in turn less what the steady line and the ones before explain: the sums of squares then add up.
    basis, left = [steady.astype(complex)], beam - steady * (steady @ beam)
    energy, best, kept = [np.sum(np.abs(left) ** 2)], 0.0, 0
    for k, course in enumerate(courses, 1):
        new = course - sum(b * (np.conj(b) @ course) for b in basis)
        new = new / np.sqrt(max(np.sum(np.abs(new) ** 2), 1e-300))
        basis.append(new)
        energy.append(max(energy[-1] - abs(np.conj(new) @ left) ** 2, 1e-300))
        gain = segments * np.log(energy[0] / energy[-1]) - NATS_A_COURSE * k
        leverage = _leverage(steady, courses[:k])
        if gain > best and energy[-1] * leverage < energy[0] and (
                leverage < UNLIKE_LINE or _share_in_beam(steady, across, sums, courses[:k]) < MOST_IN_BEAM):
            best, kept = gain, k
    return courses[:kept]


def clear(sums, weights, courses) -> Cleared:
    """Take the courses out of every group, beside a steady line in each."""
    steady = _unit(weights.sum(axis=0))
    table = np.vstack([steady, courses]).T                          # (segments, 1 + k)
    inverse = np.linalg.inv(table.conj().T @ table)
    weight = inverse @ table.conj().T                               # (1 + k, segments)
    rest = sums - (sums @ weight[1:].T) @ courses
    beam = rest.sum(axis=0)
    left = beam - steady * (steady @ beam)
    free = steady.size - table.shape[1]
    power = np.abs(np.fft.fft(left)) ** 2 / free                    # mean over its bins: the variance of a segment
    near = np.r_[power[NEAR[0]: NEAR[1] + 1], power[-NEAR[1]: -NEAR[0] + 1 or None]]
    wide, near = power.mean(), near.mean()
    level, count = (wide, free) if near < ON_HILL * wide else (near, 2.0 * (NEAR[1] - NEAR[0] + 1) * free / steady.size)
    quiet = np.median(np.abs(left) ** 2) / np.log(2.0) * steady.size / free
    return Cleared(sums=rest, variance=float(level * inverse[0, 0].real * steady.sum() ** 2),
                   floor=float(min(quiet, level) * steady.sum() ** 2), count=float(count))


def _leverage(steady, courses) -> float:
    """By how much the courses beside it widen the steady line's variance: much where they are steady themselves.

    A stripe that is deeper on one side stands aslant too, as steadily as in the beam, and is not to be taken out.
    """
    table = np.vstack([steady, courses])
    return float(np.linalg.inv(table @ table.conj().T)[0, 0].real)


def _share_in_beam(steady, across, sums, courses) -> float:
    """Share of the courses' energy, over all groups of bands, that lies in the beam and not beside it."""
    beam = across @ sums
    table = np.vstack([steady, courses]).T
    inside = np.sum(np.abs(courses.T @ np.linalg.lstsq(table, beam, rcond=None)[0][1:]) ** 2)
    span = np.linalg.qr(courses.T)[0]
    beside = np.sum(np.abs((sums - np.outer(across, beam)) @ span.conj()) ** 2)
    return float(inside / max(inside + beside, 1e-300))


def _unit(weight):
    """Weights as a vector of length 1."""
    return weight / np.sqrt(np.sum(weight ** 2))
