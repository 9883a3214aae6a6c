"""What can go wrong in the world, by who can mend it.

::

    DaqError                 exit 70  our own fault, unless a subclass says otherwise
    ├── InputError           exit 2   a file or an argument: the user mends it
    │   └── ConfigurationError        every fault of a bench, plan or profile at once
    ├── InstrumentError      exit 3   a port or a meter
    │   ├── PortAbsentError           nothing is there under that path
    │   ├── PortBusyError             another program holds it
    │   ├── PortDeniedError           the operating system refuses it to this user
    │   └── PortLostError             it was open and went away
    ├── StoreError           exit 4   the results file
    │   ├── StoreTooNewError          written by a newer version
    │   ├── StoreForeignError         not one of ours
    │   ├── StoreBusyError            another program is writing it
    │   ├── StoreDamagedError         its content contradicts itself
    │   └── StoreFailingError         it cannot be written now (disk full, read-only …)
    ├── NetworkError         exit 5   the page's port, or a broker that the bench requires
    └── OperationRefusedError exit 1  an operator's wish that cannot be fulfilled now

Misuse of a pure function is a ValueError or TypeError, never one of these.
Every text is lowercase, names the thing first, then got and expected, then the
remedy if the operator has one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


class DaqError(Exception):
    """Root of the tree; `exit_code` is what the command line ends with."""

    exit_code = 70


class InputError(DaqError):
    """A file, an argument or a datum that the user can mend."""

    exit_code = 2


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in one configuration file."""

    file: str
    line: int
    key: str
    problem: str

    def __str__(self) -> str:
        """`file:line: key: what is wrong, what was expected`."""
        where = f"{self.file}:{self.line}"
        return (
            f"{where}: {self.key}: {self.problem}"
            if self.key
            else f"{where}: {self.problem}"
        )


class ConfigurationError(InputError):
    """All faults of the configuration, reported together."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class InstrumentError(DaqError):
    """A port or a meter is not as the bench says."""

    exit_code = 3


class PortAbsentError(InstrumentError):
    """Nothing is there under the configured path."""


class PortBusyError(InstrumentError):
    """Another program holds the port."""


class PortDeniedError(InstrumentError):
    """The operating system refuses the port to this user."""


class PortLostError(InstrumentError):
    """The port was open and went away (unplugged, connection closed)."""


class StoreError(DaqError):
    """The results file cannot be used."""

    exit_code = 4


class StoreTooNewError(StoreError):
    """The file was written by a newer version of this program."""


class StoreForeignError(StoreError):
    """The file is no store of ours."""


class StoreBusyError(StoreError):
    """Another program is writing the file."""


class StoreDamagedError(StoreError):
    """The file is ours, and its content was spoilt from outside."""


class StoreFailingError(StoreError):
    """The file cannot be written at present."""


class NetworkError(DaqError):
    """The page's port is taken, or a broker that the bench requires is not there."""

    exit_code = 5


class Refusal(StrEnum):
    """Why an operation is refused, in a word for programs."""

    NO_SESSION = "no-session"
    BUSY = "busy"
    UNKNOWN_PLAN = "unknown-plan"
    CHANGED = "changed"
    ANOTHER_DAY = "another-day"
    NOT_THE_SAME = "not-the-same"
    TRIAL_IN_HAND = "trial-in-hand"
    NOTHING_CALLED_FOR = "nothing-called-for"
    UNKNOWN_LINE = "unknown-line"
    UNKNOWN_TRIAL = "unknown-trial"
    UNKNOWN_CONDITION = "unknown-condition"
    ALREADY_SO = "already-so"
    NOT_TAKEN = "not-taken"
    DOUBTED = "doubted"
    NO_READING = "no-reading"
    STORE_FAILING = "store-failing"


class OperationRefusedError(DaqError):
    """What the operator asks for cannot be done now; the text says why, and what to do instead.

    Attributes:
        code: A word for programs.
    """

    exit_code = 1

    def __init__(self, code: Refusal, text: str) -> None:
        self.code = code
        super().__init__(text)
