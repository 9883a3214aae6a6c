"""Plans that a session can be started with: those that lie beside the bench file."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from daq.config.bench import Bench
from daq.config.plan import Plan, parse_plan
from daq.errors import ConfigurationError, OperationRefusedError, Refusal

_MARK = re.compile(r"^(baseline\s*=|\[settling\]|\[\[condition\]\])", re.MULTILINE)
"""Every plan has these, and neither a bench nor a profile does; one of them may be misspelt."""


@dataclass(frozen=True, slots=True)
class OnOffer:
    """One plan file.

    Attributes:
        file: Its name.
        plan: None where it has faults.
        fault: What is wrong; empty where nothing is.
    """

    file: str
    plan: Plan | None
    fault: str = ""


class Shelf:
    """Looks into the bench's folder whenever it is asked: a plan that was just mended is on offer at once."""

    def __init__(self, folder: Path, bench: Bench) -> None:
        self._folder = folder
        self._bench = bench

    def on_offer(self) -> Sequence[OnOffer]:
        """Every plan file, by name; those with faults say which."""
        offers = []
        for path in sorted(self._folder.glob("*.toml")):
            try:
                text = path.read_text(encoding="utf-8")
            except (OSError, UnicodeDecodeError):
                continue
            if _MARK.search(text):
                offers.append(self._offer(path, text))
        return _told_apart(offers)

    def plan(self, name: str) -> Plan:
        """The plan of this name, or of the file of this name.

        Raises:
            OperationRefusedError: If there is none, or it has faults.
        """
        offers = self.on_offer()
        for offer in offers:
            plan_name = offer.plan.name if offer.plan else ""
            if name not in {plan_name, offer.file, offer.file.removesuffix(".toml")}:
                continue
            if offer.plan is None:
                raise OperationRefusedError(Refusal.UNKNOWN_PLAN, offer.fault)
            return offer.plan
        known = ", ".join(o.plan.name if o.plan else o.file for o in offers) or "none"
        text = f"no plan {name!r} beside the bench file, expected one of: {known}"
        raise OperationRefusedError(Refusal.UNKNOWN_PLAN, text)

    def _offer(self, path: Path, text: str) -> OnOffer:
        try:
            plan = parse_plan(text, file=path.name, bench=self._bench)
        except ConfigurationError as exc:
            return OnOffer(path.name, None, str(exc))
        return OnOffer(path.name, plan)


def _told_apart(offers: Sequence[OnOffer]) -> list[OnOffer]:
    """Two plans of one name would be taken for each other: neither is on offer until one has another."""
    files: dict[str, list[str]] = {}
    for offer in offers:
        if offer.plan is not None:
            files.setdefault(offer.plan.name, []).append(offer.file)
    return [
        offer
        if offer.plan is None or len(files[offer.plan.name]) == 1
        else OnOffer(
            offer.file,
            None,
            f"name: {offer.plan.name!r} is that of {' and '.join(files[offer.plan.name])}, expected a name of its own",
        )
        for offer in offers
    ]
