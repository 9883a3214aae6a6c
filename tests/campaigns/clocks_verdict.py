"""What sessions with clocks in trouble came to, and whether that proves anything.

Rules: nothing is wrong in the stores; every session has its trial, averaged; each trouble came as often as it has to, while a trial was measured, and had its
effect: UTC or local time moved, UTC was attached anew after each step, polls were missed while the computer slept or was busy, and at no other time.
"""

from collections.abc import Iterator

from tests.campaigns.clocks_findings import Findings
from tests.campaigns.clocks_troubles import ASLEEP_S, BUSY_S, Trouble

INTERVAL_S = 0.5
"""Planned spacing of the readings."""
_HAPPENS = {
    Trouble.NONE: 0,
    Trouble.FORWARD: 2,
    Trouble.BACK: 2,
    Trouble.LEAP: 1,
    Trouble.SMEARED: 1,
    Trouble.SUMMER_TIME: 1,
    Trouble.ASLEEP: 1,
    Trouble.BUSY: 2,
}
"""Times a session."""
_STEPPED = frozenset({Trouble.FORWARD, Trouble.BACK, Trouble.LEAP})
_MOVED = _STEPPED | {Trouble.SMEARED, Trouble.SUMMER_TIME}
_HELD_UP = {
    Trouble.ASLEEP: round(ASLEEP_S / INTERVAL_S) - 3,
    Trouble.BUSY: 2 * (round(BUSY_S / INTERVAL_S) - 2),
}
"""Polls that have to be missed, a session: but for those that are made before and after."""
_LEAST_READINGS = 200
"""A session lasts 200 s; of asleep for a minute 280 are left."""
_MOST_MISSED = 0.01
"""Of the readings, where nothing held polls up."""
_WRONG = {
    "false": "false readings",
    "disordered": "readings before the one before",
    "utc_wrong": "readings with another UTC than the computer's",
    "unexplained": "polls without reading or gap",
    "averages_wrong": "averages that are not those of the readings, or not true",
    "bridged": "windows across a hole",
}


def wrongs(trouble: Trouble, found: Findings, *, sessions: int) -> Iterator[str]:
    """What is wrong with the sessions of one trouble, or was not tried, in words; nothing where all is well."""
    for key, words in _WRONG.items():
        if getattr(found, key):
            yield f"{getattr(found, key)} {words}"
    yield from _not_measured(found, sessions)
    yield from _not_made(trouble, found, sessions)
    yield from _not_held_up(trouble, found, sessions)


def _not_measured(found: Findings, sessions: int) -> Iterator[str]:
    if not sessions or found.readings < sessions * _LEAST_READINGS:
        yield f"{found.readings} readings of {sessions} sessions"
    if found.finished != sessions:
        yield f"{found.finished} trials with averages of {sessions} sessions"


def _not_made(trouble: Trouble, found: Findings, sessions: int) -> Iterator[str]:
    due = sessions * _HAPPENS[trouble]
    if found.happened != due:
        yield f"{found.happened} of {due} times in trouble while a trial was measured"
    steps = due if trouble in _STEPPED else 0
    if found.steps_seen != steps:
        yield f"{found.steps_seen} of {steps} steps after which UTC was attached anew"
    if found.offsets < sessions + steps:
        yield f"UTC was attached {found.offsets} times, at least {sessions + steps}"
    moved = sessions if trouble in _MOVED else 0
    if found.moved != moved:
        yield f"{found.moved} of {moved} sessions whose clocks moved"


def _not_held_up(trouble: Trouble, found: Findings, sessions: int) -> Iterator[str]:
    least = sessions * _HELD_UP.get(trouble, 0)
    if found.missing < least:
        yield f"{found.missing} polls missed, at least {least}"
    if not least and found.missing > _MOST_MISSED * found.readings:
        yield f"{found.missing} polls missed, though nothing held them up"
