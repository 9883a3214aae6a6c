"""Names of the topics of one bench, and what a topic that was received is about."""

import re
from dataclasses import dataclass
from enum import StrEnum

ROOT = "steadybench"

# MQTT 5.0, 4.7.1 (wildcards, separator), 1.5.4 (NUL and surrogates must not, control
# characters should not appear).
_NOT_IN_A_LEVEL = re.compile(r"[+#/\x00-\x1f\x7f-\x9f\ud800-\udfff]")


class About(StrEnum):
    """What a message is about; as the level of the topic below the bench is spelt."""

    STATUS = "status"
    DESCRIPTION = "bench"
    STATE = "state"
    SLIP = "slip"
    LIVE = "live"
    RESULT = "result"
    HEALTH = "health"
    ASK = "ask"
    ANSWER = "answer"


_ABOUT = {about.value: about for about in About}


@dataclass(frozen=True, slots=True, kw_only=True)
class Topics:
    """Names of the topics of one bench, all below `<root>/<bench>/`.

    Attributes:
        bench: Name of the bench; what a level cannot hold becomes "_".
        root: First level, or several with "/" between them.
    """

    bench: str
    root: str = ROOT

    @property
    def status(self) -> str:
        """Whether the program is there; also the topic of the last will."""
        return self._below(About.STATUS)

    @property
    def description(self) -> str:
        """What the bench consists of."""
        return self._below(About.DESCRIPTION)

    @property
    def state(self) -> str:
        """Where the session stands."""
        return self._below(About.STATE)

    @property
    def slip(self) -> str:
        """The order of the session, with what came of each line."""
        return self._below(About.SLIP)

    @property
    def result(self) -> str:
        """Trials that have ended."""
        return self._below(About.RESULT)

    @property
    def health(self) -> str:
        """How store, instruments and publishing fare."""
        return self._below(About.HEALTH)

    @property
    def ask(self) -> str:
        """Operations that are asked for."""
        return self._below(About.ASK)

    @property
    def answer(self) -> str:
        """What became of them."""
        return self._below(About.ANSWER)

    @property
    def told(self) -> tuple[str, ...]:
        """Filters for everything that the bench tells."""
        live = self._below(f"{About.LIVE}/+")
        single = (self.status, self.description, self.state, self.slip)
        return (*single, live, self.result, self.health, self.answer)

    def live(self, instrument: str) -> str:
        """Readings of one instrument."""
        return self._below(f"{About.LIVE}/{_level(instrument)}")

    def about(self, topic: str) -> About | None:
        """What a topic of this bench is about; None where it is none of them."""
        start = self._below("")
        if not topic.startswith(start):
            return None
        first, *rest = topic.removeprefix(start).split("/")
        about = _ABOUT.get(first)
        # Only live topics have a level more: the instrument.
        return about if len(rest) == (about is About.LIVE) else None

    def _below(self, tail: str) -> str:
        levels = [_level(level) for level in self.root.split("/") if level] or ["_"]
        # Topics that begin with "$" belong to the broker (MQTT 5.0, 4.7.2).
        root = re.sub(r"^\$", "_", "/".join(levels))
        return f"{root}/{_level(self.bench)}/{tail}"


def _level(name: str) -> str:
    return _NOT_IN_A_LEVEL.sub("_", name) or "_"
