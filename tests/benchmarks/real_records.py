"""The settling rule on start-ups of real machines, whose truth nobody knows: do later readings agree with the mean?

    python tests/benchmarks/real_records.py FOLDER [--tol 0.02] [--preset standard] [--plots DIR]

Every CSV file of the folder holds one start-up (`t_s`, `value`); a `manifest.json` beside them may state each file's resolution
(`files`, NAME, `resolution`), else the smallest difference between two of its readings stands for it. What is said of a record:

    settled    declared and averaged
    checkable  settled, and the machine ran on: at least three readings 60 to 120 s after the result
    within tol the median of those readings is within the tolerance of the mean
    within U   it is within the stated uncertainty of the mean

A machine runs on until a reading falls below half the mean. `--plots` draws each record (needs matplotlib): look at them, the
figures are few.
"""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.settling.parameters import Parameters
from daq.settling.presets import PRESETS
from daq.settling.record import RecordVerdict, settle_record
from tests.benchmarks.measuring import say, show_table
from tests.startups.bounds import share
from tests.startups.shapes import Array

_LATER_S = (60.0, 120.0)
_LEAST_LATER = 3


@dataclass(frozen=True, slots=True)
class Real:
    """One record and what the rule says of it; `later` is the median of the readings that check it, or None."""

    name: str
    times_s: Array
    values: Array
    resolution: float
    verdict: RecordVerdict
    later: float | None

    def within(self, half_width: float) -> bool:
        """The later median is as close to the mean."""
        return (
            self.later is not None
            and self.verdict.mean is not None
            and abs(self.later - self.verdict.mean) <= half_width
        )


def judge_folder(
    folder: Path, tolerance: float, parameters: Parameters
) -> Iterator[Real]:
    """All CSV files of the folder, by name."""
    manifest = folder / "manifest.json"
    told = (
        json.loads(manifest.read_text(encoding="utf-8"))["files"]
        if manifest.exists()
        else {}
    )
    for path in sorted(folder.glob("*.csv")):
        table = np.loadtxt(path, delimiter=",", skiprows=1, ndmin=2)
        times_s, values = table[:, 0], table[:, 1]
        resolution = told.get(path.name, {}).get("resolution") or _step_of(values)
        verdict = settle_record(
            times_s.tolist(),
            values.tolist(),
            tolerance=tolerance,
            resolution=resolution,
            parameters=parameters,
            find_smallest=False,
        )
        later = _later_median(times_s, values, verdict)
        yield Real(path.stem, times_s, values, resolution, verdict, later)


def _step_of(values: Array) -> float:
    """Smallest difference between two distinct readings."""
    distinct = np.unique(values)
    return float(np.diff(distinct).min()) if distinct.size > 1 else 0.0


def _later_median(
    times_s: Array, values: Array, verdict: RecordVerdict
) -> float | None:
    if verdict.mean is None or verdict.confirmed_s is None:
        return None
    after_s = times_s - verdict.confirmed_s
    stopped = (after_s > 0.0) & (np.abs(values) < 0.5 * abs(verdict.mean))
    end_s = float(after_s[stopped][0]) if stopped.any() else np.inf
    from_s, to_s = _LATER_S
    checking = (after_s >= from_s) & (after_s <= min(to_s, end_s))
    if int(checking.sum()) < _LEAST_LATER:
        return None
    return float(np.median(values[checking]))


def row(real: Real, tolerance: float) -> tuple[object, ...]:
    """What is shown of a record."""
    verdict, length_s = real.verdict, real.times_s[-1]
    mean, u = verdict.mean, verdict.expanded_uncertainty
    if mean is None or u is None:
        return (
            real.name,
            f"{length_s:.0f}",
            f"no: {verdict.why_not}",
            "",
            "",
            "",
            "",
            "",
        )
    checked = ("", "", "")
    if real.later is not None:
        checked = (
            f"{100.0 * (real.later / mean - 1.0):+.2f}",
            "yes" if real.within(tolerance * abs(mean)) else "NO",
            "yes" if real.within(u) else "no",
        )
    declared = f"{verdict.declared_s:.0f} to {verdict.confirmed_s:.0f} s"
    return (
        real.name,
        f"{length_s:.0f}",
        declared,
        f"{mean:.5g}",
        f"{100.0 * u / abs(mean):.2f}",
        *checked,
    )


def show(reals: Sequence[Real], tolerance: float) -> None:
    """A line a record, then the counts."""
    show_table(
        f"Real start-ups at {100.0 * tolerance:g} %",
        ("record", "s", "averaged", "mean", "U %", "later %", "within tol", "within U"),
        [row(real, tolerance) for real in reals],
    )
    settled = [r for r in reals if r.verdict.settled]
    checkable = [r for r in settled if r.later is not None]
    in_tolerance = [r.within(tolerance * abs(r.verdict.mean or 0.0)) for r in checkable]
    in_u = [r.within(r.verdict.expanded_uncertainty or 0.0) for r in checkable]
    say(
        f"\nrecords {len(reals)}, settled {len(settled)}, checkable {len(checkable)}, "
        f"later median within the tolerance {sum(in_tolerance)}, within U {sum(in_u)}"
    )
    say(f"within the tolerance: {share(in_tolerance).text(factor=100.0, digits=0)} %")
    outside = in_tolerance.count(False)
    say(
        f"outside the tolerance: {outside}, goal at most 1: {'met' if outside <= 1 else 'MISSED'}"
    )


def plot(real: Real, tolerance: float, folder: Path) -> None:
    """Readings, window, mean with U, and the tolerance around it."""
    import matplotlib as mpl  # type: ignore[import-not-found,unused-ignore]  # only for those who ask for plots

    mpl.use("Agg")
    from matplotlib import pyplot as plt  # type: ignore[import-not-found,unused-ignore]  # likewise

    figure, axes = plt.subplots(figsize=(10.0, 5.0))
    axes.plot(real.times_s, real.values, ".-", color="0.4", markersize=3, linewidth=0.5)
    verdict = real.verdict
    mean, u, window = verdict.mean, verdict.expanded_uncertainty, verdict.window
    if mean is not None and u is not None and window is not None:
        ends = (window.start_s, window.end_s)
        axes.fill_between(ends, mean - u, mean + u, color="tab:blue", alpha=0.4)
        axes.plot(ends, (mean, mean), color="tab:blue")
        for side in (1.0 - tolerance, 1.0 + tolerance):
            axes.axhline(mean * side, color="tab:green", linewidth=0.8, linestyle="--")
        axes.axvline(verdict.declared_s or 0.0, color="tab:orange", linewidth=0.8)
        axes.set_ylim(mean * (1.0 - 6.0 * tolerance), mean * (1.0 + 6.0 * tolerance))
        said = f"{mean:.5g} +- {u:.2g}, declared at {verdict.declared_s:.0f} s"
    else:
        said = f"not settled: {verdict.why_not}"
        axes.set_ylim(*_middle(real.values))
    axes.set_title(f"{real.name}: {said}; {verdict.provisional} withdrawn")
    axes.set_xlabel("s")
    figure.savefig(folder / f"{real.name}.png", dpi=80)
    plt.close(figure)


def _middle(values: Array) -> tuple[float, float]:
    """A range without the inrush."""
    running = values[np.abs(values) > 0.05 * np.abs(values).max()]
    low, high = np.percentile(running, (2.0, 95.0))
    margin = 0.3 * (high - low) + 0.01 * abs(high)
    return float(low - margin), float(high + margin)


def main(arguments: Sequence[str] | None = None) -> None:
    """Judge, print, draw."""
    parser = argparse.ArgumentParser(description="The settling rule on real start-ups.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--tol", type=float, default=0.02, help="relative (0.02)")
    parser.add_argument("--preset", default="standard", help="of the rule (standard)")
    parser.add_argument("--plots", type=Path, metavar="DIR", help="draw each record")
    options = parser.parse_args(arguments)
    chosen = PRESETS[options.preset].parameters
    reals = list(judge_folder(options.folder, options.tol, chosen))
    show(reals, options.tol)
    if options.plots is not None:
        options.plots.mkdir(parents=True, exist_ok=True)
        for real in reals:
            plot(real, options.tol, options.plots)
        say(f"{len(reals)} plots in {options.plots}")


if __name__ == "__main__":
    main()
