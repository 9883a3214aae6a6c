"""The campaign with spoilt stores passes only what it made, and only ends that told what is lost."""

import sys
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from daq.errors import StoreError
from daq.runtime.store import Store
from tests.campaigns import store_faults
from tests.campaigns.store_faults import BY_DISK, IN_PROCESS, one
from tests.campaigns.store_faults_disk import SlowDisk
from tests.campaigns.store_faults_verdict import (
    ENDS_BADLY,
    Troubled,
    wrongs,
    wrongs_at_rest,
)

KEPT = Troubled(
    fault="locked", added=500, meanwhile=170, kept=500, waiting=160, counted=0, told=1, written_in_s=0.0, ended="0"
)  # fmt: skip
REMOVED = replace(
    KEPT, fault="removed", kept=0, waiting=170, counted=170, ended="4, lost"
)
SPOILT = replace(KEPT, fault="log_spoilt", kept=0, ended="4, damaged")
SLOW = replace(KEPT, fault="slow", told=0, written_in_s=0.7)


def said(*found: Troubled) -> list[str]:
    return [*wrongs(found, asked=[each.fault for each in found])]


def test_troubles_that_were_made_and_told_are_passed() -> None:
    assert said(KEPT, REMOVED, SPOILT, SLOW) == []


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (replace(KEPT, meanwhile=0), "no reading was added while it lasted"),
        (replace(KEPT, told=0), "nobody was told"),
        (replace(KEPT, kept=499), "1 readings gone in silence"),
        (replace(KEPT, kept=501), "1 readings more than were added"),
        (replace(KEPT, ended="4, lost"), "the end was 4, lost, though it was over"),
        (replace(REMOVED, counted=169), "170 readings waited, 169 are counted"),
        (replace(REMOVED, fault="emptied", counted=0), "170 readings waited, 0 are"),
        (replace(SPOILT, ended="0"), "the end was 0: it does not say"),
        (replace(SPOILT, fault="spoilt", ended="0"), "the end was 0: it does not say"),
        (replace(SLOW, written_in_s=0.1), "the disk was not slow"),
        (replace(SLOW, told=1), "told of, though it holds up nobody"),
    ],
)
def test_each_trouble_that_proves_nothing_or_broke_a_promise_is_told(
    found: Troubled, words: str
) -> None:
    (only,) = said(found)
    assert only.startswith(f"{found.fault}: ")
    assert words in only


def test_a_trouble_that_was_left_out_is_told() -> None:
    assert [*wrongs([KEPT], asked=["locked", "slow"])] == ["slow: not measured"]


FILES = {"files": 40, "spoilt": 33, "kept": 9}


@pytest.mark.parametrize(
    ("counts", "words"),
    [
        ({"files": 39}, "one bit: 39 files of 40"),
        ({"spoilt": 0}, "one bit: 0 of 40 files were spoilt"),
        ({"kept": 0}, "no row was found again"),
    ],
)
def test_files_that_were_not_spoilt_or_not_held_against_anything_are_told(
    counts: dict[str, int], words: str
) -> None:
    assert [*wrongs_at_rest({"one bit": {**FILES, **counts}}, asked=40)] == [words]
    assert [*wrongs_at_rest({"one bit": FILES, "two": FILES}, asked=40)] == []


# ---- the campaign itself


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(ENDS_BADLY))
def test_an_end_that_keeps_quiet_about_what_is_lost_is_found(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert said(one(name, 1.5)) == []
    close = Store.close

    async def close_in_silence(store: Store) -> None:
        with suppress(StoreError):
            await close(store)

    monkeypatch.setattr(Store, "close", close_in_silence)
    wrong = said(one(name, 1.5))
    assert f"{name}: the end was 0: it does not say that readings are lost" in wrong


def run(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["store_faults.py", *words])
    return store_faults.main()


def fine(name: str) -> Troubled:
    kinds = {"removed": REMOVED, "emptied": REMOVED, "spoilt": SPOILT}
    return replace(kinds.get(name, SPOILT if name in ENDS_BADLY else KEPT), fault=name)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything goes well, and at once."""
    monkeypatch.setattr(store_faults, "_all_at_rest", lambda _rounds, _rng: iter(()))
    monkeypatch.setattr(store_faults, "one", lambda name, _seconds: fine(name))


@pytest.mark.usefixtures("quick")
def test_without_a_compiler_not_all_is_measured_and_the_campaign_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def no_compiler(_disk: SlowDisk, _folder: Path) -> None:
        raise LookupError("no C compiler: a slow disk cannot be made")

    monkeypatch.setattr(SlowDisk, "__init__", no_compiler)
    assert run(monkeypatch, "--rounds", "1") == 1
    told = capsys.readouterr().out
    for fault in BY_DISK:
        assert f"WRONG: {fault.__name__}: not measured" in told
    assert told.count("WRONG: ") == len(BY_DISK)
    assert all(fault.__name__ in told for fault in IN_PROCESS)


@pytest.mark.parametrize("words", [("--rounds", "0"), ("--seconds", "0")])
def test_nothing_at_all_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, str],
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(monkeypatch, *words)
    assert ended.value.code == 2
    assert f"argument {words[0]}: must be" in capsys.readouterr().err
