"""What sessions with a broker in trouble came to, and whether that proves anything.

Rules: every session had its trouble, told results and had polls in both parts; the service said meanwhile that the broker is away, and of a word or
a certificate that is refused it said so: a trouble that nobody saw was none. What is slow only has to have been held back.
"""

from dataclasses import dataclass, field
from enum import StrEnum

from tests.campaigns.brokers_witness import Delivery

LIVE_WITHIN_S = 2.0
MISSED_MORE = 0.05
"""Share of the polls."""
OWN_GROWTH_MB = 7.0
"""What a session grows by itself, with traces and averages: twice the 3.5 MB of one whose broker was in no trouble."""


class Trouble(StrEnum):
    """What the broker is in."""

    NONE = "none"
    REFUSING = "refusing"
    ABSENT = "absent, no answer at all"
    SWALLOWING = "accepts and says nothing"
    SLOW = "slow, 0.3 s each way"
    STOPPED = "stopped"
    RESTARTING = "restarted"
    KILLED = "killed and started again"
    WRONG_WORD = "other password"
    EXPIRED = "certificate expired"


SAYS = {
    Trouble.WRONG_WORD: "refuses the user name or the password",
    Trouble.EXPIRED: "expired",
}
"""Why a broker is away, in the service's words; of the other troubles it cannot know what they are."""


def is_seen(trouble: Trouble, state: str, text: str) -> bool:
    """Whether this state of the broker, as the page has it, tells of the trouble."""
    return state == "away" and SAYS.get(trouble, "") in text


@dataclass
class Polls:
    """How the meters were read [1, 1, s of real time]."""

    made: int = 0
    missed: int = 0
    late_s: list[float] = field(default_factory=list)

    def add(self, other: "Polls") -> None:
        """Count those too."""
        self.made += other.made
        self.missed += other.missed
        self.late_s += other.late_s

    @property
    def due(self) -> int:
        """Made or not [1]."""
        return self.made + self.missed

    @property
    def share_missed(self) -> float:
        """Of all that were due [1]."""
        return self.missed / max(self.due, 1)


@dataclass
class Outcome:
    """What came of the sessions with one trouble.

    Attributes:
        trouble: What the broker is in; NONE for comparison.
        told: Results that were put into the outbox, by session [1].
        seen: Troubles in which the service said that the broker is away, and why [1].
        slowed: Pieces that the way to the broker held back [1].
        live_s: How long after each return the first fresh reading came [s]; infinite where none did.
        growth_mb: Of the service's memory, the most, from the begin of the first trouble on.
        held_mb: The most that may be held for a broker, by the largest payloads that came.
    """

    trouble: Trouble = Trouble.NONE
    sessions: int = 0
    troubles: int = 0
    seen: int = 0
    slowed: int = 0
    told: list[int] = field(default_factory=list)
    came: list[Delivery] = field(default_factory=list)
    live_s: list[float] = field(default_factory=list)
    meanwhile: Polls = field(default_factory=Polls)
    otherwise: Polls = field(default_factory=Polls)
    growth_mb: float = 0.0
    held_mb: float = 0.0

    @property
    def wrong(self) -> str:
        """The first promise that was not tried or not kept; empty where all were."""
        return self._untried or self._broken

    @property
    def is_in_order(self) -> bool:
        """Whether all that is promised was tried and kept."""
        return not self.wrong

    @property
    def _untried(self) -> str:
        is_quiet = self.trouble is Trouble.NONE
        returns = 0 if is_quiet else self.troubles
        # What is slow is not away.
        seen = 0 if is_quiet or self.trouble is Trouble.SLOW else self.troubles
        untried = {
            "no session": not self.sessions,
            "a session without trouble": self.troubles < self.sessions,
            "a session without a result": len(self.told) != self.sessions
            or 0 in self.told,
            "a trouble that the service did not see": self.seen < seen,
            "a way that held nothing back": self.trouble is Trouble.SLOW
            and self.slowed < self.troubles,
            "a return that was not timed": len(self.live_s) != returns,
            "no polls meanwhile": not self.meanwhile.due,
            "no polls otherwise": not self.otherwise.due,
        }
        return next((what for what, is_so in untried.items() if is_so), "")

    @property
    def _broken(self) -> str:
        more = self.meanwhile.share_missed - self.otherwise.share_missed
        broken = {
            "results missing": [each.received for each in self.came] != self.told,
            "results altered or out of order": any(
                each.altered or each.disorder for each in self.came
            ),
            "live too late": any(each > LIVE_WITHIN_S for each in self.live_s),
            "polls missed": more > MISSED_MORE,
            "memory grew too much": self.growth_mb > OWN_GROWTH_MB + self.held_mb,
        }
        return next((what for what, is_so in broken.items() if is_so), "")
