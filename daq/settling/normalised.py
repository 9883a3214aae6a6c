"""Bins taken to a reference voltage on their way into the rule, where a plan asks for it and the bins allow it."""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from daq.records import NormalisedBy
from daq.settling.history import BinHistory
from daq.settling.normalising import (
    Exponent,
    Normalising,
    NotFitted,
    fit_exponent,
    normalise_bins,
)
from daq.settling.phases import ChannelSetup


class Normaliser:
    """Fits exponents over a stretch of bins and applies them; does nothing where nothing is asked for."""

    def __init__(
        self,
        asked: Normalising | None,
        channels: Mapping[str, ChannelSetup],
        *,
        bin_s: float,
    ) -> None:
        self._asked = asked
        self._bin_s = bin_s
        self._step_v = channels[asked.reference].resolution if asked else 0.0
        self._fits: dict[str, Exponent | NotFitted] = {}

    @property
    def is_active(self) -> bool:
        """Whether a plan asks for anything."""
        return self._asked is not None

    def fit(self, history: BinHistory, names: Sequence[str], first: int) -> None:
        """Fit the exponents of those channels over the bins from the given one on."""
        if self._asked is None:
            return
        asked = [name for name in names if name in self._asked.channels]
        values = history.means([self._asked.reference, *asked], first)
        times_s = np.arange(values.shape[1], dtype=np.float64) * self._bin_s
        for name, row in zip(asked, values[1:], strict=True):
            self._fits[name] = fit_exponent(
                row, values[0], times_s, step_v=self._step_v
            )

    def means(
        self, history: BinHistory, names: Sequence[str], first: int
    ) -> NDArray[np.float64]:
        """Bins from the given one on, by the exponents fitted last. Shape (channels, bins)."""
        means = history.means(names, first)
        if self._asked is None:
            return means
        voltages = history.means([self._asked.reference], first)[0]
        for row, name in enumerate(names):
            found = self._fits.get(name)
            if isinstance(found, Exponent):
                means[row] = normalise_bins(
                    means[row],
                    voltages,
                    exponent=found.value,
                    reference_v=self._asked.reference_v,
                )
        return means

    def by(self, history: BinHistory, name: str, first: int) -> NormalisedBy | None:
        """How a channel's bins from the given one on are normalised; None where they are not."""
        found = self._fits.get(name)
        if self._asked is None or not isinstance(found, Exponent):
            return None
        voltages = history.means([self._asked.reference], first)[0]
        return NormalisedBy(
            reference=self._asked.reference,
            reference_v=self._asked.reference_v,
            exponent=found.value,
            std_uncertainty=found.std_uncertainty,
            degrees_of_freedom=found.degrees_of_freedom,
            mean_voltage_v=float(np.nanmean(voltages)),
        )

    def not_fitted(self) -> dict[str, NotFitted]:
        """Channels whose exponent could not be told."""
        return {n: f for n, f in self._fits.items() if isinstance(f, NotFitted)}
