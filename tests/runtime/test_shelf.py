"""Plans on offer: those beside the bench file, with their faults."""

from pathlib import Path

import pytest

from daq.config.bench import Bench
from daq.errors import OperationRefusedError, Refusal
from daq.runtime.shelf import Shelf
from tests.runtime.conftest import BENCH, MAINS, PLAN

HOSES = PLAN.replace('name = "leads"', 'name = "hoses"')


def write(folder: Path, **files: str) -> None:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")


def test_plans_are_told_from_benches_and_profiles(tmp_path: Path, bench: Bench) -> None:
    write(tmp_path, bench=BENCH, mains=MAINS, b_plan=PLAN, a_plan=HOSES)
    offers = Shelf(tmp_path, bench).on_offer()
    assert [(o.file, o.plan.name if o.plan else "", o.fault) for o in offers] == [
        ("a_plan.toml", "hoses", ""),
        ("b_plan.toml", "leads", ""),
    ]


def test_an_empty_folder_offers_nothing(tmp_path: Path, bench: Bench) -> None:
    shelf = Shelf(tmp_path, bench)
    assert list(shelf.on_offer()) == []
    with pytest.raises(OperationRefusedError, match="expected one of: none"):
        shelf.plan("leads")


def test_a_plan_with_faults_is_on_offer_with_its_faults_until_it_is_mended(
    tmp_path: Path, bench: Bench
) -> None:
    shelf = Shelf(tmp_path, bench)
    faulty = PLAN.replace('required = ["power"]', 'required = ["torque"]')
    write(tmp_path, plan=faulty)
    (offer,) = shelf.on_offer()
    assert (offer.file, offer.plan) == ("plan.toml", None)
    assert "plan.toml" in offer.fault
    assert "torque" in offer.fault
    with pytest.raises(OperationRefusedError, match="torque") as caught:
        shelf.plan("plan.toml")
    assert caught.value.code is Refusal.UNKNOWN_PLAN
    write(tmp_path, plan=PLAN)
    assert shelf.plan("plan.toml").name == "leads"


def test_a_plan_is_found_by_its_name_and_by_its_files(
    tmp_path: Path, bench: Bench
) -> None:
    write(tmp_path, a=HOSES, b=PLAN)
    shelf = Shelf(tmp_path, bench)
    assert shelf.plan("leads") == shelf.plan("b.toml")
    assert shelf.plan("hoses") == shelf.plan("a.toml")


@pytest.mark.parametrize("name", ["", "plan", "../plan.toml", "/etc/passwd", "LEADS"])
def test_nothing_else_is_found_whatever_is_asked_for(
    tmp_path: Path, bench: Bench, name: str
) -> None:
    folder = tmp_path / "bench"
    folder.mkdir()
    write(tmp_path, plan=PLAN)
    write(folder, a=HOSES, b=PLAN)
    with pytest.raises(OperationRefusedError, match="expected one of: hoses, leads"):
        Shelf(folder, bench).plan(name)


def test_a_file_that_is_no_text_offers_nothing(tmp_path: Path, bench: Bench) -> None:
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe\n[settling]\n")
    (tmp_path / "folder.toml").mkdir()
    write(tmp_path, plan=PLAN)
    assert [o.file for o in Shelf(tmp_path, bench).on_offer()] == ["plan.toml"]


def test_the_first_line_of_a_plan_may_be_its_settling(
    tmp_path: Path, bench: Bench
) -> None:
    write(tmp_path, plan="[settling]\n")
    (offer,) = Shelf(tmp_path, bench).on_offer()
    assert offer.fault


def test_two_plans_of_one_name_are_not_on_offer_and_both_say_why(
    tmp_path: Path, bench: Bench
) -> None:
    shelf = Shelf(tmp_path, bench)
    write(tmp_path, a=PLAN, b=HOSES, c=PLAN)
    words = "name: 'leads' is that of a.toml and c.toml, expected a name of its own"
    assert [
        (o.file, o.plan.name if o.plan else "", o.fault) for o in shelf.on_offer()
    ] == [("a.toml", "", words), ("b.toml", "hoses", ""), ("c.toml", "", words)]
    for file in ("a.toml", "c.toml"):
        with pytest.raises(OperationRefusedError, match="expected a name of its own"):
            shelf.plan(file)
    with pytest.raises(OperationRefusedError, match="no plan 'leads'") as caught:
        shelf.plan("leads")
    assert caught.value.code is Refusal.UNKNOWN_PLAN
    assert shelf.plan("hoses") == shelf.plan("b.toml")
    (tmp_path / "c.toml").unlink()
    assert shelf.plan("leads") == shelf.plan("a.toml")
