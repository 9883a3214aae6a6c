"""The campaign of power cuts passes only stories that were recorded and promised something."""

from dataclasses import replace

import pytest

from tests.campaigns import power_loss
from tests.campaigns.power_loss import Outcome, Promise, Story, unmeasured

TORN = 3
STORY = Story("a session", {"bench.db": b"head"}, [], [Promise(1, {"events": 4})], {"events": [(1,)]})  # fmt: skip
OUTCOME = Outcome(syncs=20, images=20 * (2 + TORN) + 1)


def lacking(story: Story, outcome: Outcome) -> list[str]:
    return [*unmeasured(story, outcome, torn=TORN)]


def test_a_story_with_all_its_disks_and_a_promise_is_all_that_was_asked_for() -> None:
    assert lacking(STORY, OUTCOME) == []
    # A store that is made has promised nothing yet.
    assert lacking(replace(STORY, before={}, promises=[]), OUTCOME) == []


@pytest.mark.parametrize(
    ("story", "outcome", "words"),
    [
        (STORY, replace(OUTCOME, images=100), "100 of 101 disks"),
        (STORY, Outcome(images=1), "0 fsyncs recorded, 1 tables written"),
        (replace(STORY, last={}), OUTCOME, "20 fsyncs recorded, 0 tables written"),
        (replace(STORY, promises=[]), OUTCOME, "nothing was promised that could"),
        (
            replace(STORY, promises=[Promise(1, {"events": 0})]),
            OUTCOME,
            "nothing was promised that could",
        ),
    ],
)
def test_each_thing_that_was_not_tried_is_told(
    story: Story, outcome: Outcome, words: str
) -> None:
    (only,) = lacking(story, outcome)
    assert only.startswith(words)


def test_a_campaign_of_which_nothing_was_recorded_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def told(*_args: object, **_options: object) -> Story:
        return replace(STORY, promises=[])

    for name in ("making_story", "migration_story", "session_story"):
        monkeypatch.setattr(power_loss, name, told)
    monkeypatch.setattr(
        power_loss, "cut_everywhere", lambda *_args, **_torn: Outcome(images=1)
    )
    monkeypatch.setattr("sys.argv", ["power_loss.py", "--torn", "3"])
    assert power_loss.main() == 1
    said = capsys.readouterr().out
    assert "a session: NOT MEASURED: 0 fsyncs recorded" in said
    assert "a session: NOT MEASURED: nothing was promised" in said


def test_a_session_without_a_line_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["power_loss.py", "--lines", "0"])
    with pytest.raises(SystemExit) as ended:
        power_loss.main()
    assert ended.value.code == 2
    assert "argument --lines: must be 1 or more" in capsys.readouterr().err
