"""What a service works in: its bench, where it keeps what it measures, its clock, and what stands beside the page."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from daq.config.bench import Bench
from daq.runtime.clock import Clock
from daq.runtime.display import Display
from daq.runtime.web import Page, Share


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a service works in.

    Attributes:
        bench: With its lines' paths resolved.
        store_path: Results file.
        base: Folder that files named in the bench are relative to.
        clock: Of the whole run.
        display: A screen beside the page.
        share: How the page is shared on the network; None where it is not.
        on_page: Told of the page once it can be opened.
        has_keyboard: Somebody can answer at the display.
    """

    bench: Bench
    store_path: Path
    base: Path
    clock: Clock
    display: Display
    share: Share | None = None
    on_page: Callable[[Page], None] = lambda _page: None
    has_keyboard: bool = False
