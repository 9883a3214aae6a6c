"""Secrets stand in the environment or in a file of their own; what stands in the wrong place is refused unseen."""

import logging
from pathlib import Path

import pytest

from daq.config.faults import Source, validated
from daq.config.secrets import PasswordModel, SecretModel
from daq.errors import ConfigurationError, InputError
from daq.runtime.secrets import read_secret, read_secret_file, secret_cautions

HIDDEN = "hunter two"
KEY = "broker.password"
IN_ENVIRONMENT = SecretModel(env="BENCH_PASSWORD")
IN_FILE = SecretModel(file="word")


@pytest.fixture
def word(tmp_path: Path) -> Path:
    """A file that only its owner reads."""
    path = tmp_path / "word"
    path.write_text(f"{HIDDEN}\r\nand no more\n", encoding="utf-8")
    path.chmod(0o600)
    return path


def faults_of(text: str) -> str:
    with pytest.raises(ConfigurationError) as caught:
        validated(PasswordModel, Source("bench.toml", text), text)
    return str(caught.value)


# ---- where it is


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('password = { env = "BENCH_PASSWORD" }', IN_ENVIRONMENT),
        ('password = { file = "word" }', IN_FILE),
        ('password_file = "word"', IN_FILE),
        ("", None),
    ],
)
def test_a_bench_says_where_a_secret_is(text: str, place: SecretModel | None) -> None:
    source = Source("bench.toml", text)
    assert validated(PasswordModel, source, text).password_place == place


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (f'password = "{HIDDEN}"', 'expected its place: { env = "NAME" } or { file = "path" }'),
        (f'password = ["{HIDDEN}"]', "expected its place"),
        ("password = 80912", "expected its place"),
        ("password = {}", "expected one place"),
        ('password = { env = "A", file = "b" }', "expected one place"),
        (f'password = {{ env = "{HIDDEN}" }}', "no name of a variable"),
        ("password = { env = 80912 }", "no place of a secret"),
        (f'password = {{ file = ["{HIDDEN}"] }}', "no place of a secret"),
        (f'password = {{ value = "{HIDDEN}" }}', "unknown key"),
        ('password = { env = "A" }\npassword_file = "b"', "expected one of them"),
    ],
)  # fmt: skip
def test_what_is_no_place_is_refused_without_being_shown(text: str, says: str) -> None:
    told = faults_of(text)
    assert told.startswith("bench.toml:1: ")
    assert says in told
    assert HIDDEN not in told
    assert "80912" not in told


# ---- going there


def test_a_secret_is_read_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BENCH_PASSWORD", HIDDEN)
    assert read_secret(IN_ENVIRONMENT, key=KEY, base=tmp_path) == HIDDEN
    assert list(secret_cautions(IN_ENVIRONMENT, key=KEY, base=tmp_path)) == []


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_a_line_end_in_a_variable_is_no_part_of_the_secret(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line_end: str
) -> None:
    monkeypatch.setenv("BENCH_PASSWORD", f" {HIDDEN} {line_end}")
    assert read_secret(IN_ENVIRONMENT, key=KEY, base=tmp_path) == f" {HIDDEN} "


@pytest.mark.parametrize("value", [None, "", "\n", "\r\n"])
def test_a_variable_that_is_not_there_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, value: str | None
) -> None:
    monkeypatch.delenv("BENCH_PASSWORD", raising=False)
    if value is not None:
        monkeypatch.setenv("BENCH_PASSWORD", value)
    with pytest.raises(
        InputError, match=r"^broker\.password\.env: .* no variable BENCH_PASSWORD"
    ):
        read_secret(IN_ENVIRONMENT, key=KEY, base=tmp_path)
    (caution,) = secret_cautions(IN_ENVIRONMENT, key=KEY, base=tmp_path)
    assert "BENCH_PASSWORD" in caution


def test_a_secret_is_the_first_line_of_its_file(
    word: Path, caplog: pytest.LogCaptureFixture
) -> None:
    assert read_secret(IN_FILE, key=KEY, base=word.parent) == HIDDEN
    assert list(secret_cautions(IN_FILE, key=KEY, base=word.parent)) == []
    assert caplog.records == []


def test_a_byte_order_mark_is_no_part_of_the_secret(word: Path) -> None:
    word.write_bytes(b"\xef\xbb\xbf" + word.read_bytes())
    assert read_secret_file(word) == HIDDEN


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_a_file_that_others_may_read_is_warned_of(
    word: Path, caplog: pytest.LogCaptureFixture, mode: int
) -> None:
    word.chmod(mode)
    assert read_secret_file(word) == HIDDEN
    (record,) = caplog.records
    assert record.levelno == logging.WARNING
    (caution,) = secret_cautions(IN_FILE, key=KEY, base=word.parent)
    for told in (record.getMessage(), caution):
        assert f"chmod 600 {word}" in told
        assert HIDDEN not in told


@pytest.mark.parametrize("content", [None, b"", b"\xef\xbb\xbf\n", b"\n" + HIDDEN.encode(), b"\xff" + HIDDEN.encode()])  # fmt: skip
def test_a_file_without_a_secret_is_named_and_not_shown(
    word: Path, content: bytes | None
) -> None:
    if content is None:
        word.unlink()
    else:
        word.write_bytes(content)
    with pytest.raises(InputError, match="expected it on the first line") as caught:
        read_secret(IN_FILE, key=KEY, base=word.parent)
    assert str(word) in str(caught.value)
    # A traceback shows the causes too.
    assert HIDDEN not in repr((caught.value, caught.value.__cause__))


def test_a_file_that_is_not_there_is_told_before_it_is_needed(tmp_path: Path) -> None:
    (caution,) = secret_cautions(IN_FILE, key=KEY, base=tmp_path)
    assert str(tmp_path / "word") in caution


@pytest.mark.parametrize(
    ("content", "says"), [(b"", "first line is empty"), (b"\xff\xfe\x00", "no UTF-8")]
)
def test_a_check_beforehand_finds_a_file_that_holds_no_secret(
    word: Path, content: bytes, says: str
) -> None:
    word.write_bytes(content)
    (caution,) = secret_cautions(IN_FILE, key=KEY, base=word.parent)
    assert says in caution


def test_a_check_beforehand_finds_a_folder_in_a_secrets_place(tmp_path: Path) -> None:
    (tmp_path / "word").mkdir()
    (caution,) = secret_cautions(IN_FILE, key=KEY, base=tmp_path)
    assert "directory" in caution
