"""What is said of readings that were typed before a trial had to settle anew."""

from daq.trials.stages import Happening, Occurrence


def typed_before_text(occurrence: Occurrence) -> str:
    """Whether what was typed before counts, as a sentence with a space before it; empty where nobody need be told."""
    typed, counting = occurrence.typed
    if not typed:
        return ""
    the_typed = f"{'reading' if typed == 1 else f'{typed} readings'} typed before"
    does = "does" if typed == 1 else "do"
    if occurrence.happening is Happening.WITHDRAWN:
        # The next window may reach back to them.
        return f" The {the_typed} {does} not count for now."
    if occurrence.happening is not Happening.DECLARED:
        return ""
    if counting == 0:
        return f" Averaging begins anew: the {the_typed} {does} not count."
    if counting < typed:
        return f" Of the {the_typed} {counting} {'counts' if counting == 1 else 'count'} again."
    return f" The {the_typed} {'counts' if typed == 1 else 'count'} again."
