"""Start-ups as files: a CSV a record (`t_s`, `value`) and `manifest.json` with the truth of each."""

import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from tests.startups.records import Regime, StartUp


def write_folder(folder: Path, records: Iterable[StartUp]) -> int:
    """Write all records; returns how many."""
    folder.mkdir(parents=True, exist_ok=True)
    told: dict[str, Any] = {}
    for number, record in enumerate(records):
        name = f"r{number:05d}.csv"
        rows = zip(record.times_s.tolist(), record.values.tolist(), strict=True)
        lines = ["t_s,value", *(f"{at_s:.3f},{value:.10g}" for at_s, value in rows), ""]
        (folder / name).write_text("\n".join(lines), encoding="utf-8")
        told[name] = _truth(record)
    manifest = {"tolerance_note": "band is +-tol_rel*|value|", "files": told}
    text = json.dumps(manifest, indent=1)
    (folder / "manifest.json").write_text(text, encoding="utf-8")
    return len(told)


def _truth(record: StartUp) -> dict[str, Any]:
    regimes = [
        {
            "t_from_s": r.from_s,
            "t_to_s": r.to_s,
            "value": r.value,
            "t_settle_s": r.settle_s,
        }
        for r in record.regimes
    ]
    return {
        "kind": record.kind,
        "quantity": record.quantity,
        "unit": record.unit,
        "tol_rel": record.tolerance,
        "never_settles": record.never,
        "t_on_s": record.on_s,
        "regimes": regimes,
        "resolution": record.resolution,
        "poll_hz": record.poll_hz,
    }


def load_folder(folder: Path) -> Iterator[StartUp]:
    """All records that the folder's manifest names, in the order of their names."""
    text = (folder / "manifest.json").read_text(encoding="utf-8")
    for name, truth in sorted(json.loads(text)["files"].items()):
        yield _load(folder / name, truth)


def _load(path: Path, truth: dict[str, Any]) -> StartUp:
    table = np.loadtxt(path, delimiter=",", skiprows=1, ndmin=2)
    regimes = (
        Regime(r["t_from_s"], r["t_to_s"], r["value"], r["t_settle_s"])
        for r in truth["regimes"]
    )
    return StartUp(
        name=path.name,
        kind=truth["kind"],
        quantity=truth["quantity"],
        unit=truth["unit"],
        times_s=table[:, 0],
        values=table[:, 1],
        tolerance=truth["tol_rel"],
        resolution=truth["resolution"],
        poll_hz=truth["poll_hz"],
        on_s=truth["t_on_s"],
        never=truth["never_settles"],
        regimes=tuple(regimes),
    )
