"""Electric power of one machine: apparent power, power factor, nonactive power, energy, cost.

Works on what meters show (true rms volts and amperes, watts), and knows no waveform. A power factor above 1 is
impossible: within the meters' tolerance it is taken as 1, beyond it the readings are refused.
"""

import math
from collections.abc import Sequence

_W_H_PER_J = 1.0 / 3600.0
_KWH_PER_WH = 1e-3


def apparent_power(voltage_v: float, current_a: float) -> float:
    r"""Apparent power of a single-phase load.

    .. math:: S = V I

    Args:
        voltage_v: True rms voltage V [V], not negative.
        current_a: True rms current I [A], not negative.

    Returns:
        S [VA].

    Raises:
        ValueError: If one is negative or not finite.

    Validity:
        Any waveform; rms values over whole periods. An average-responding meter reads other than rms unless the
        wave is a sine.

    Source:
        IEEE Std 1459-2010, single-phase definitions (clause 3.1).

    Example:
        >>> round(apparent_power(118.2, 11.1), 2)
        1312.02
    """
    _refuse_negative(voltage_v, "voltage", "V")
    _refuse_negative(current_a, "current", "A")
    return voltage_v * current_a


def power_factor(
    power_w: float, apparent_power_va: float, *, relative_tolerance: float = 0.0
) -> float:
    r"""Power factor, signed by the direction of the power.

    .. math:: \mathrm{PF} = P / S

    Args:
        power_w: Active power P [W].
        apparent_power_va: Apparent power S [VA], above 0.
        relative_tolerance: How far above 1 the meters' uncertainty can take it [1], for example U(P)/P and U(S)/S
            combined.

    Returns:
        PF [1], -1 to 1; what is above 1 by no more than the tolerance is 1.

    Raises:
        ValueError: If S is not above 0, or PF is beyond 1 by more than the tolerance: a meter is scaled wrongly, or
            power and current are not of the same machine.

    Validity:
        Any waveform. With harmonics it is not the cosine of an angle.

    Source:
        IEEE Std 1459-2010, single-phase definitions (clause 3.1).

    Example:
        >>> round(power_factor(1250.0, 118.2 * 11.1), 5)
        0.95273
    """
    if not (math.isfinite(apparent_power_va) and apparent_power_va > 0.0):
        msg = f"apparent power {apparent_power_va:g} VA, expected above 0"
        raise ValueError(msg)
    factor = power_w / apparent_power_va
    # Written so that a NaN is refused too.
    if not abs(factor) <= 1.0 + relative_tolerance:
        msg = (
            f"power factor {factor:.4g} from {power_w:g} W and {apparent_power_va:g} VA, expected at most 1 within"
            f" {100.0 * relative_tolerance:g} %: check the meters' scaling and wiring"
        )
        raise ValueError(msg)
    return max(-1.0, min(1.0, factor))


def interval_power_factor(
    powers_w: Sequence[float],
    apparent_powers_va: Sequence[float],
    *,
    relative_tolerance: float = 0.0,
) -> float:
    r"""Power factor over an interval: the mean power over the mean apparent power, not the mean of ratios.

    .. math:: \mathrm{PF} = \bar P / \bar S

    Args:
        powers_w: Active power P of each reading [W].
        apparent_powers_va: Apparent power S of the same readings [VA].
        relative_tolerance: As for `power_factor` [1].

    Returns:
        PF [1].

    Raises:
        ValueError: If there is no reading, the numbers of readings differ, or as `power_factor` does.

    Validity:
        Readings evenly spaced in time.

    Source:
        IEEE Std 1459-2010, definition of the power factor with P and S taken over the same interval.

    Example:
        >>> round(interval_power_factor([1000.0, 1200.0], [1050.0, 1290.0]), 6)
        0.940171
    """
    if not powers_w or len(powers_w) != len(apparent_powers_va):
        msg = (
            f"{len(powers_w)} readings of power and {len(apparent_powers_va)} of apparent power,"
            " expected as many of each, at least one"
        )
        raise ValueError(msg)
    return power_factor(
        math.fsum(powers_w) / len(powers_w),
        math.fsum(apparent_powers_va) / len(apparent_powers_va),
        relative_tolerance=relative_tolerance,
    )


def nonactive_power(
    power_w: float, apparent_power_va: float, *, relative_tolerance: float = 0.0
) -> float:
    r"""Nonactive power: what is in the apparent power beside the active.

    .. math:: N = \sqrt{S^2 - P^2} = S \sqrt{1 - \mathrm{PF}^2}

    Args:
        power_w: Active power P [W].
        apparent_power_va: Apparent power S [VA], above 0.
        relative_tolerance: As for `power_factor` [1].

    Returns:
        N [var]; with harmonics it is more than the reactive power of the fundamental.

    Raises:
        ValueError: As `power_factor`.

    Validity:
        Any waveform. It is not called Q: that is the fundamental's alone.

    Source:
        IEEE Std 1459-2010, single-phase nonsinusoidal definitions (clause 3.1.2).

    Example:
        >>> nonactive_power(3.0, 5.0)
        4.0
    """
    factor = power_factor(
        power_w, apparent_power_va, relative_tolerance=relative_tolerance
    )
    return apparent_power_va * math.sqrt(1.0 - factor**2)


def energy_wh(power_w: float, duration_s: float) -> float:
    r"""Energy of a mean power over a time.

    .. math:: E = P t / 3600

    Args:
        power_w: Mean power P [W].
        duration_s: Time t [s], not negative.

    Returns:
        E [Wh].

    Raises:
        ValueError: If the time is negative or not finite.

    Validity:
        P is the mean over the same time.

    Source:
        SI Brochure, 9th edition, table 8: 1 h = 3600 s.

    Example:
        >>> energy_wh(1250.0, 900.0)
        312.5
    """
    _refuse_negative(duration_s, "duration", "s")
    return power_w * duration_s * _W_H_PER_J


def energy_cost(energy: float, price_per_kwh: float) -> float:
    r"""What an energy costs.

    .. math:: C = E p / 1000

    Args:
        energy: E [Wh].
        price_per_kwh: p [currency/kWh], not negative.

    Returns:
        C [currency].

    Raises:
        ValueError: If the price is negative or not finite.

    Validity:
        A flat price; no standing charge, no price of demand.

    Source:
        Definition of a price per kilowatt-hour.

    Example:
        >>> round(energy_cost(45.74 * 500.0, 0.15), 4)
        3.4305
    """
    _refuse_negative(price_per_kwh, "price", "per kWh")
    return energy * _KWH_PER_WH * price_per_kwh


def _refuse_negative(figure: float, name: str, unit: str) -> None:
    if not (math.isfinite(figure) and figure >= 0.0):
        msg = f"{name} {figure:g} {unit}, expected 0 or more"
        raise ValueError(msg)
