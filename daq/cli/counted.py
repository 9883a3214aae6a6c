"""Numbers of things in sentences: one reading, two readings."""


def counted(count: int, thing: str) -> str:
    """A number with what is counted, of which there is one or there are several."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
