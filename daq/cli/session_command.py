"""How `daq session` is named in what the screens tell: with the bench file, so that it can be typed as it is shown."""

import shlex
from pathlib import Path


def with_bench(text: str, bench: str | Path) -> str:
    """A sentence that every screen shows, with this bench file in the command that it tells."""
    return text.replace("daq session BENCH", f"daq session {shlex.quote(str(bench))}")
