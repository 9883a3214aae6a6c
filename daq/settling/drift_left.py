"""What the bins say of the drift at the declaration: how likely it was too large, and how large it may have been."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.settling.distributions import student_t_cdf

_Array = NDArray[np.float64]

_DOUBLINGS = 6
"""A bound is looked for up to this power of two of the tolerances."""

_HALVINGS = 5
"""Then within a part of this power of two; a straight line does the rest."""


@dataclass(frozen=True, slots=True)
class DriftLeft:
    """Drift of several channels by every noise with every drift, in each channel's own measure.

    Attributes:
        drift: As fitted and drawn to none [units]. Shape (channels, noises, drifts).
        deviation: Of its Student's t [units]. Same shape.
        weight: How well each pair explains the bins [1]. Same shape; adds up to 1 in each channel.
        degrees_of_freedom: [1] of each noise. Shape (channels, noises, 1).
        hidden: Drift that the display's rounding may hide [units]. Shape (channels, 1, drifts).
        units: A channel's measure [unit of each channel]. Shape (channels,).
    """

    drift: _Array
    deviation: _Array
    weight: _Array
    degrees_of_freedom: _Array
    hidden: _Array
    units: _Array

    def outside(self, half_widths: _Array) -> _Array:
        """How likely the drift was larger.

        Args:
            half_widths: Of a band about none [unit of each channel]. Shape (channels,).

        Returns:
            Probabilities [1]. Shape (channels,).

        Source:
            Own rule: a mixture of Student's t, what rounding may hide taken off the band.
        """
        room = np.maximum((half_widths / self.units)[:, None, None] - self.hidden, 0.0)
        nu = self.degrees_of_freedom
        beyond = (
            1.0
            - student_t_cdf((room - self.drift) / self.deviation, nu)
            + student_t_cdf((-room - self.drift) / self.deviation, nu)
        )
        probability: _Array = (self.weight * beyond).sum(axis=(1, 2))
        return probability

    def bounds(self, limits: _Array, *, risk: float) -> _Array:
        """Half-widths of the bands that the drift was outside of with just that probability.

        Args:
            limits: Half-widths to begin with [unit of each channel]. Shape (channels,).
            risk: That probability [1].

        Returns:
            Half-widths [unit of each channel]: at most `limits` exactly where `outside` gives at most the risk for
            these. Shape (channels,).

        Validity:
            Within 1/32 of the limit, or of the bound where that is larger; not looked for beyond 64 limits.

        Source:
            Own; halving, then a straight line.
        """
        found = self.outside(limits)
        is_inside = found <= risk
        low, at_low = np.where(is_inside, 0.0, limits), np.where(is_inside, 1.0, found)
        high, at_high = limits, found
        for _ in range(_DOUBLINGS):
            is_low = at_high > risk
            if not is_low.any():
                break
            low, at_low = np.where(is_low, high, low), np.where(is_low, at_high, at_low)
            high = np.where(is_low, 2.0 * high, high)
            at_high = self.outside(high)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            at_middle = self.outside(middle)
            is_low = at_middle > risk
            low, at_low = (
                np.where(is_low, middle, low),
                np.where(is_low, at_middle, at_low),
            )
            high, at_high = (
                np.where(is_low, high, middle),
                np.where(is_low, at_high, at_middle),
            )
        share = (at_low - risk) / np.maximum(at_low - at_high, 1e-300)
        bound: _Array = low + np.minimum(share, 1.0) * (high - low)
        return bound
