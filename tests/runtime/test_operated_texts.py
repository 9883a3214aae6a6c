"""Notes and reasons: what is kept of them is one line that reads on every screen as it was meant."""

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.operations import Note, Relabel, Repeat, Skip, Start
from tests.runtime.attended_bench import AttendedBench, attended, journal
from tests.runtime.conftest import PLAN, Computer

# Unicode Standard Annex #9, table 4 and section 2: embeddings, overrides, their end, isolates, marks.
TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f"
# The Unicode Standard, chapter 23.2: space, non-joiner and joiner of no width, word joiner, no-break space of no width.
WITHOUT_WIDTH = "\u200b\u200c\u200d\u2060\ufeff"


@pytest.fixture
async def service(
    tmp_path: Path, bench: Bench, computer: Computer
) -> AsyncIterator[AttendedBench]:
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    async with attended(tmp_path, bench, computer) as attended_bench:
        yield attended_bench


@pytest.mark.parametrize(
    "letter", [*TURNING, *WITHOUT_WIDTH], ids=lambda letter: f"U+{ord(letter):04X}"
)
async def test_what_turns_text_round_or_has_no_width_is_taken_out(
    service: AttendedBench, letter: str
) -> None:
    await service.ask(Start("leads"))
    await service.measure()
    spoilt, kept = f"{letter}door{letter}{letter}open{letter}", "door open"
    await service.ask(Note(spoilt))
    await service.ask(Skip(spoilt))
    # It goes to a line of its own, the third.
    await service.ask(Relabel(1, "long lead", spoilt))
    await service.ask(Repeat(3, spoilt))
    assert [(kind, detail) for kind, _, _, _, detail in journal(service)][1:] == [
        ("note", {"text": kept}),
        ("skip", {"reason": kept}),
        ("relabel", {"trial": 1, "condition": "long lead", "reason": kept}),
        ("repeat", {"position": 3, "instead_because": kept}),
    ]
    assert service.told("note") == [f"Note from the page: {kept}"]
    assert all(letter not in text for _, text in service.events)
    ((note,),) = service.rows("SELECT note FROM trials")
    assert letter not in str(note)


@pytest.mark.parametrize("letter", [*TURNING, *WITHOUT_WIDTH])
def test_a_text_of_nothing_else_is_empty(letter: str) -> None:
    with pytest.raises(ValueError, match="text is empty, expected some text"):
        Note(f" {letter}{letter} ")


async def test_letters_of_every_script_stay(service: AttendedBench) -> None:
    text = "R = 5 Ω → größer, 温度, שלום, 20 °C: “warm”"
    await service.ask(Note(text))
    assert journal(service)[-1][4] == {"text": text}
