"""The simulated person, with the page's snapshots and the time handed in."""

from simulators.operator import Act, Operator, Seen, seen_on
from simulators.rig import seeded


def snapshot(
    stage: str, condition: str | None = "thin lead", *, position: int = 1
) -> dict[str, object]:
    return {
        "session": {"number": 1},
        "stage": {"name": stage},
        "condition": condition
        and {"name": condition, "repeat": 1, "position": position},
    }


class Scene:
    """A person, a machine that obeys, and a clock that is moved."""

    def __init__(self) -> None:
        self.person = Operator(seeded(2, "person"), known=("thin lead", "thick lead"))
        self.running = False
        self.now_s = 100.0
        self.acts: list[tuple[float, Act]] = []

    def show(self, page: dict[str, object], *, for_s: float) -> list[Act]:
        """Leave one page standing; tell what was done meanwhile."""
        before = len(self.acts)
        begin_s = self.now_s
        while self.now_s < begin_s + for_s:
            self._look(seen_on(page), begin_s)
            self.now_s += 0.5
        return [act for _, act in self.acts[before:]]

    def _look(self, seen: Seen, begin_s: float) -> None:
        act = self.person.look(seen, is_running=self.running, now_s=self.now_s)
        if act is None:
            return
        self.acts.append((self.now_s - begin_s, act))
        if act is not Act.COMPLAIN:
            self.running = act is Act.FIT_AND_START


def test_a_person_fits_and_starts_six_to_twelve_seconds_after_being_asked() -> None:
    scene = Scene()
    assert scene.show(snapshot("waiting"), for_s=20) == [Act.FIT_AND_START]
    after_s, _ = scene.acts[0]
    assert 6 <= after_s <= 12.5


def test_a_person_stops_three_to_six_seconds_after_the_trial_is_over() -> None:
    for stage in ("done", "not-settled", "limit"):
        scene = Scene()
        scene.running = True
        assert scene.show(snapshot(stage), for_s=20) == [Act.STOP]
        after_s, _ = scene.acts[0]
        assert 3 <= after_s <= 6.5


def test_a_person_does_nothing_while_the_machine_is_judged() -> None:
    for stage in ("running-up", "settling", "averaging", "unfinished", "finished"):
        for running in (True, False):
            scene = Scene()
            scene.running = running
            assert scene.show(snapshot(stage), for_s=60) == []


def test_a_whole_session_is_carried_out() -> None:
    scene = Scene()
    for position, name in enumerate(("thin lead", "thick lead"), start=1):
        for stage, for_s in [
            ("waiting", 15),
            ("running-up", 5),
            ("settling", 60),
            ("averaging", 60),
            ("done", 10),
        ]:
            scene.show(snapshot(stage, name, position=position), for_s=for_s)
    acts = [act for _, act in scene.acts]
    assert acts == [Act.FIT_AND_START, Act.STOP] * 2


def test_the_same_condition_asked_for_again_is_thought_over_again() -> None:
    scene = Scene()
    scene.show(snapshot("waiting"), for_s=5)
    assert scene.show(snapshot("waiting", position=2), for_s=5) == []
    assert scene.show(snapshot("waiting", position=2), for_s=10) == [Act.FIT_AND_START]


def test_a_machine_that_was_just_started_is_not_stopped_because_the_page_is_slow() -> (
    None
):
    scene = Scene()
    assert scene.show(snapshot("waiting"), for_s=40) == [Act.FIT_AND_START]


def test_a_machine_found_running_while_the_page_waits_is_stopped_and_started_again() -> (
    None
):
    scene = Scene()
    scene.show(snapshot("waiting"), for_s=15)
    scene.show(snapshot("settling"), for_s=30)
    assert scene.show(snapshot("waiting"), for_s=20) == [Act.STOP, Act.FIT_AND_START]
    (stopped_s, _), (started_s, _) = scene.acts[-2:]
    assert stopped_s == 0
    assert 6 <= started_s <= 12.5


def test_while_the_page_is_away_nothing_is_done_and_the_pause_starts_anew() -> None:
    scene = Scene()
    scene.show(snapshot("waiting"), for_s=5)
    scene.person.look_away()
    scene.now_s += 100
    assert scene.show(snapshot("waiting"), for_s=5) == []
    assert scene.show(snapshot("waiting"), for_s=10) == [Act.FIT_AND_START]


def test_an_unknown_condition_is_complained_about_once() -> None:
    scene = Scene()
    assert scene.show(snapshot("waiting", "garden hose"), for_s=60) == [Act.COMPLAIN]
    assert not scene.running


def test_a_page_that_says_nothing_useful_moves_nobody() -> None:
    scene = Scene()
    assert scene.show({}, for_s=30) == []
    assert scene.show({"stage": "odd", "condition": 3}, for_s=30) == []
    assert scene.show(snapshot("waiting", None), for_s=30) == []
