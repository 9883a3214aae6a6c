"""README's chapter on MQTT stays true: its examples are made by the program, and no key or topic is left out."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.messages import ASKABLE, About, result_schema
from tests.core.message_examples import EXAMPLES

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
# Described by the schema of a result, by SenML's own registry, or in a profile's reference.
ELSEWHERE = {"result"}
ACCURACY = "accuracy"


@pytest.fixture(scope="module")
def chapter() -> str:
    found = re.search(
        r"^## Over MQTT\n(.*?)(?=^## |\Z)", README, re.MULTILINE | re.DOTALL
    )
    assert found, "README.md has no chapter 'Over MQTT'"
    return found[1]


def keys_of(value: object) -> Iterator[str]:
    if isinstance(value, list):
        for each in value:
            yield from keys_of(each)
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from () if key == ACCURACY else keys_of(inner)


def test_the_examples_are_what_the_program_makes(chapter: str) -> None:
    blocks = re.findall(r"^```json\n(.*?)\n```", chapter, re.MULTILINE | re.DOTALL)
    assert blocks == list(EXAMPLES.values())


@pytest.mark.parametrize("about", [a for a in EXAMPLES if a not in ELSEWHERE])
def test_every_key_is_described(chapter: str, about: str) -> None:
    words = re.sub(r"^```.*?^```", "", chapter, flags=re.MULTILINE | re.DOTALL)
    described = set(re.findall(r"`(\w+)`", words))
    assert set(keys_of(json.loads(EXAMPLES[about]))) - described == set()


def test_every_topic_and_every_operation_is_described(chapter: str) -> None:
    for about in About:
        assert re.search(
            rf"^\| `{about.value}(/<instrument>)?` \|", chapter, re.MULTILINE
        )
    for operation in ASKABLE:
        assert f'"{operation}"' in chapter


def test_the_example_of_a_result_has_every_key_of_the_schema() -> None:
    schema = result_schema()
    properties = schema["properties"]
    assert isinstance(properties, dict)
    assert set(json.loads(EXAMPLES["result"])) == set(properties)
