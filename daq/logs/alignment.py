"""The offset of a log's clock against the bench's, found from the switchings that both saw, or stated.

Every pair of edges of one kind proposes an offset; the one that the most switchings of the bench agree with is taken,
and refused where another would do nearly as well (a machine switched on and off in even time), or where few agree.
The offset, and a drift of the clock where edges far enough apart tell it, follow from all matched edges by weighted
least squares. What lies between two readings is the resolution of an edge; what on-edges and off-edges differ by (an
impeller takes its time to run up, another to run down) goes into the uncertainty. A lag of the log's meter that is the
same at both is taken off with the offset.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.errors import InputError
from daq.logs.edges import Edge
from daq.stats import student_t_quantile
from daq.trials.switching import Switch

SLACK_S = 4.0
"""So much later than the other a channel may show a switching: meters lag, impellers run up [s]."""
_DRIFT_SLACK = 5e-4
"""Share of the log's length that its clock may gain or lose [1]."""
_DRIFT_U = 3e-4
"""Standard uncertainty of a clock's drift before anything is known of it [1]."""
_LEAST_DRIFT_EDGES, _LEAST_DRIFT_SPAN_S = 3, 600.0
LEAST_SHARE = 0.6
"""Of the bench's switchings during the log, so many must be found in it [1]."""
_MARGIN = 2
"""By more edges than that another offset must do worse: in even time one run more or less fits as well [1]."""
_LEAST_MATCHED = 3
"""So many edges must agree where there are several runs: one run alone tells little [1]."""
_ZONE_S, _SET_S = 900.0, 120.0
"""Time zones differ by quarters of an hour; a clock that was set is right within some minutes [s]."""
_ROUNDS = 3
_LEAST_U_S = 1e-3


@dataclass(frozen=True, slots=True)
class MatchedEdge:
    """A switching that bench and log both saw.

    Attributes:
        to: On or off.
        bench_s: When, by the bench [s of the bench].
        log_s: When, by the log [s of the log].
        half_width_s: By how much the two may differ for their readings' spacing [s].
        residual_s: By how much they do differ once the log's clock is set [s].
    """

    to: Switch
    bench_s: float
    log_s: float
    half_width_s: float
    residual_s: float


@dataclass(frozen=True, slots=True)
class Alignment:
    """How a log's clock stands to the bench's: bench = log + offset + drift (log - reference).

    Attributes:
        offset_s: At the reference [s].
        reference_s: Middle of the matched edges, weighted [s of the log].
        drift: What the bench's clock gains on the log's [1]; 0 where the edges do not tell it.
        std_uncertainty_s: Of the offset at the reference [s]; 0 where it was stated.
        std_uncertainty_drift: Of the drift [1].
        coverage_factor: For 95 % [1].
        is_stated: Somebody said so, it was not found.
        matched: Switchings that both saw.
        missed: Switchings during both that only one of them shows [1].
    """

    offset_s: float
    reference_s: float
    drift: float
    std_uncertainty_s: float
    std_uncertainty_drift: float
    coverage_factor: float
    is_stated: bool
    matched: tuple[MatchedEdge, ...]
    missed: int

    @property
    def tells_drift(self) -> bool:
        """The edges tell whether the log's clock gains or loses."""
        return not self.is_stated and _tells_drift([e.log_s for e in self.matched])

    def bench_s(self, log_s: float) -> float:
        """The bench's time of a time of the log [s]."""
        return log_s + self.offset_s + self.drift * (log_s - self.reference_s)

    def expanded_uncertainty_s(self, log_s: float) -> float:
        """Of that, for 95 % [s]."""
        apart_s = log_s - self.reference_s
        u_s = math.hypot(self.std_uncertainty_s, self.std_uncertainty_drift * apart_s)
        return self.coverage_factor * u_s


def find_alignment(
    bench: Sequence[Edge],
    log: Sequence[Edge],
    *,
    span_s: tuple[float, float],
    step_s: float,
    is_dated: bool = False,
) -> Alignment:
    """Set a log's clock by the switchings that both saw.

    Args:
        bench: Switchings by the bench, in order of time [s of the bench].
        log: Switchings by the log, in order of time [s of the log].
        span_s: First and last time of the log [s of the log].
        step_s: The smallest step that the log's times can show [s].
        is_dated: The log's times tell the date: an offset near a time zone's is likelier than another.

    Raises:
        InputError: If none fits, too few do, or several offsets fit alike.
    """
    if len(log) < 2:
        seen = "no switching" if not log else "one switching only"
        msg = f"{seen} in the log, expected at least a switch-on and a switch-off; state --offset SECONDS, or name --edges COLUMN"
        raise InputError(msg)
    matcher = _Matcher(bench, log, span_s)
    offset_s = matcher.only_offset(is_dated=is_dated)
    return _fitted(matcher, offset_s, step_s)


def state_alignment(
    offset_s: float,
    bench: Sequence[Edge],
    log: Sequence[Edge],
    *,
    span_s: tuple[float, float],
) -> Alignment:
    """Take somebody's word for the offset [s]; what switchings say of it is told all the same."""
    matcher = _Matcher(bench, log, span_s)
    pairs, missed = matcher.pairs(_Line(offset_s, 0.0, 0.0))
    matched = tuple(_matched(b, e, e.middle_s + offset_s) for b, e in pairs)
    return Alignment(
        offset_s=offset_s,
        reference_s=0.0,
        drift=0.0,
        std_uncertainty_s=0.0,
        std_uncertainty_drift=0.0,
        coverage_factor=2.0,
        is_stated=True,
        matched=matched,
        missed=missed,
    )


@dataclass(frozen=True, slots=True)
class _Line:
    """A clock against another."""

    offset_s: float
    reference_s: float
    drift: float

    def log_s(self, bench_s: float) -> float:
        """The log's time of a time of the bench [s]."""
        apart_s = bench_s - self.offset_s - self.reference_s
        return self.reference_s + apart_s / (1.0 + self.drift)

    def bench_s(self, log_s: float) -> float:
        """The bench's time of a time of the log [s]."""
        return log_s + self.offset_s + self.drift * (log_s - self.reference_s)

    def bench_s_of(self, log_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """The same of many times at once [s]."""
        return log_s + self.offset_s + self.drift * (log_s - self.reference_s)


class _Matcher:
    """Which edges are one and the same switching, by an offset."""

    def __init__(
        self, bench: Sequence[Edge], log: Sequence[Edge], span_s: tuple[float, float]
    ) -> None:
        self._bench, self._span_s = tuple(bench), span_s
        self._log = {
            to: [e for e in log if e.to is to] for to in (Switch.ON, Switch.OFF)
        }
        self._middles = {
            to: np.array([e.middle_s for e in edges], dtype=np.float64)
            for to, edges in self._log.items()
        }
        self._widest_s = {
            to: max((e.half_width_s for e in edges), default=0.0)
            for to, edges in self._log.items()
        }
        self._drift_s = _DRIFT_SLACK * (span_s[1] - span_s[0]) / 2.0

    def only_offset(self, *, is_dated: bool) -> float:
        """The offset that the most switchings agree with [s].

        Raises:
            InputError: If few agree, or others do nearly as well.
        """
        scored = [(*self._score(offset_s), offset_s) for offset_s in self._proposed()]
        if not scored:
            msg = "the log's switchings are of one kind and the bench's of another; state --offset SECONDS"
            raise InputError(msg)
        score, matched, missed, _, offset_s = max(scored, key=lambda s: (s[0], s[3]))
        self._expect_enough(matched, missed, offset_s)
        rivals = [
            (rival, other_s)
            for rival, count, _, _, other_s in scored
            if count >= 2
            and rival >= score - _MARGIN
            and abs(other_s - offset_s) > 2.0 * (SLACK_S + self._drift_s)
            and not (is_dated and _is_set(offset_s) and not _is_set(other_s))
        ]
        if rivals:
            other_s = max(rivals)[1]
            msg = (
                f"the log's switchings fit at several offsets alike, as those of a machine switched in even time do:"
                f" {matched} agree at {offset_s:.1f} s, nearly as many at {other_s:.1f} s; state --offset SECONDS"
            )
            raise InputError(msg)
        return offset_s

    def _expect_enough(self, matched: int, missed: int, offset_s: float) -> None:
        if matched < 2 or matched < LEAST_SHARE * (matched + missed):
            agree = f"{matched} of {matched + missed} agree" if missed else "one agrees"
            msg = (
                f"the log's switchings fit the session's poorly: at best {agree};"
                " is it the log of this session? State --offset SECONDS, or name --edges COLUMN with --on-above and --off-below"
            )
            raise InputError(msg)
        is_only_one = len(self._bench) == sum(map(len, self._log.values())) == 2
        if matched < _LEAST_MATCHED and not is_only_one:
            msg = (
                f"one run alone agrees, at {offset_s:.1f} s, and others of such a length may do so by chance;"
                " state --offset SECONDS"
            )
            raise InputError(msg)

    def pairs(self, line: _Line) -> tuple[list[tuple[Edge, Edge]], int]:
        """Edges that agree by this line, and how many one of the two saw and the other should have seen."""
        found, missed = [], 0
        for edge in self._bench:
            log_s = line.log_s(edge.middle_s)
            near = self._nearest(edge, log_s)
            if near is not None:
                found.append((edge, near))
            elif self._span_s[0] + SLACK_S < log_s < self._span_s[1] - SLACK_S:
                missed += 1
        return found, missed + self._unseen(found, line)

    def _unseen(self, found: Sequence[tuple[Edge, Edge]], line: _Line) -> int:
        """How many switchings the log shows between the bench's first and last that the bench did not see."""
        first_s, last_s = self._bench[0].earliest_s, self._bench[-1].latest_s
        every = np.concatenate([line.bench_s_of(m) for m in self._middles.values()])
        inside = (every > first_s - SLACK_S) & (every < last_s + SLACK_S)
        return max(int(np.count_nonzero(inside)) - len(found), 0)

    def _nearest(self, edge: Edge, log_s: float) -> Edge | None:
        edges = self._log[edge.to]
        if not edges:
            return None
        near = edges[int(np.argmin(np.abs(self._middles[edge.to] - log_s)))]
        most_s = edge.half_width_s + near.half_width_s + SLACK_S + self._drift_s
        return near if abs(near.middle_s - log_s) <= most_s else None

    def _proposed(self) -> Iterator[float]:
        """Offsets at which at least one pair of edges agrees, each once [s]."""
        differences: list[NDArray[np.float64]] = [
            edge.middle_s - self._middles[edge.to] for edge in self._bench
        ]
        every = np.unique(np.concatenate(differences)) if differences else np.array([])
        last = -math.inf
        for offset_s in every.tolist():
            if offset_s - last > SLACK_S / 4.0:
                yield offset_s
                last = offset_s

    def _score(self, offset_s: float) -> tuple[int, int, int, float]:
        """Edges that agree less those that should, both counts, and how well they do."""
        pairs, missed = self.pairs(_Line(offset_s, 0.0, 0.0))
        off_s = [abs(b.middle_s - e.middle_s - offset_s) for b, e in pairs]
        return len(pairs) - missed, len(pairs), missed, -sum(off_s)


def _is_set(offset_s: float) -> bool:
    """A clock that somebody has set shows the time of some zone."""
    return abs(offset_s - _ZONE_S * round(offset_s / _ZONE_S)) <= _SET_S


def _fitted(matcher: _Matcher, offset_s: float, step_s: float) -> Alignment:
    pairs, missed = matcher.pairs(_Line(offset_s, 0.0, 0.0))
    fit = _fit(pairs, step_s)
    for _ in range(_ROUNDS):
        pairs, missed = matcher.pairs(fit.line)
        fit = _fit(pairs, step_s)
    line = fit.line
    return Alignment(
        offset_s=line.offset_s,
        reference_s=line.reference_s,
        drift=line.drift,
        std_uncertainty_s=fit.u_s,
        std_uncertainty_drift=fit.u_drift,
        coverage_factor=fit.coverage_factor,
        is_stated=False,
        matched=tuple(_matched(b, e, line.bench_s(e.middle_s)) for b, e in pairs),
        missed=missed,
    )


def _matched(bench: Edge, log: Edge, set_s: float) -> MatchedEdge:
    return MatchedEdge(
        to=bench.to,
        bench_s=bench.middle_s,
        log_s=log.middle_s,
        half_width_s=bench.half_width_s + log.half_width_s,
        residual_s=bench.middle_s - set_s,
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    line: _Line
    u_s: float
    u_drift: float
    coverage_factor: float


def _fit(pairs: Sequence[tuple[Edge, Edge]], step_s: float) -> _Fit:
    """Offset and drift by weighted least squares; the drift as sure beforehand as clocks are."""
    x = np.array([e.middle_s for _, e in pairs], dtype=np.float64)
    d = np.array([b.middle_s - e.middle_s for b, e in pairs], dtype=np.float64)
    variance = np.array(
        [
            (b.half_width_s**2 + e.half_width_s**2) / 3.0 + step_s**2 / 12.0
            for b, e in pairs
        ]
    )
    weights = 1.0 / np.maximum(variance, _LEAST_U_S**2)
    reference_s = float(np.average(x, weights=weights))
    offset_s = float(np.average(d, weights=weights))
    # What on-edges and off-edges differ by is no scatter and no drift: each kind has a level of its own.
    is_on = np.array([b.to is Switch.ON for b, _ in pairs])
    apart, off = (_by_kind(values, weights, is_on) for values in (x, d))
    told = float(np.sum(weights * apart**2))
    drift = 0.0
    if _tells_drift(x.tolist()):
        drift = float(np.sum(weights * apart * off)) / (told + _DRIFT_U**-2)
    residuals = off - drift * apart
    kinds = d - offset_s - drift * (x - reference_s) - residuals
    freedom = max(len(pairs) - (drift != 0.0) - len(np.unique(is_on)), 1)
    excess = float(np.sum(weights * residuals**2)) / freedom
    scale = math.sqrt(max(excess, 1.0))
    return _Fit(
        _Line(offset_s, reference_s, drift),
        math.hypot(scale / math.sqrt(float(np.sum(weights))), np.ptp(kinds) / 2.0),
        1.0 / math.sqrt(told / scale**2 + _DRIFT_U**-2),
        student_t_quantile(0.975, freedom) if scale > 1.0 else 2.0,
    )


def _tells_drift(log_s: Sequence[float]) -> bool:
    is_far = max(log_s, default=0.0) - min(log_s, default=0.0) >= _LEAST_DRIFT_SPAN_S
    return len(log_s) >= _LEAST_DRIFT_EDGES and is_far


def _by_kind(
    values: NDArray[np.float64],
    weights: NDArray[np.float64],
    is_on: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """By how much each edge's value lies beside the weighted mean of its kind, on or off."""
    beside = values.copy()
    for kind in (is_on, ~is_on):
        if kind.any():
            beside[kind] -= np.average(values[kind], weights=weights[kind])
    return beside
