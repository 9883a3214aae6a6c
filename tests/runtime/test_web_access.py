"""Tokens, cookies and the count of attempts."""

import hmac
import json
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import InputError
from daq.runtime.web import AccessKeys
from daq.runtime.web.access import EntryLimit, Role

BOTH = (Role.READER, Role.OPERATOR)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.keys"


@pytest.fixture
def keys(path: Path) -> AccessKeys:
    return AccessKeys(path)


def test_keys_are_made_once_and_kept_from_others(keys: AccessKeys, path: Path) -> None:
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [item.name for item in path.parent.iterdir()] == [path.name]
    again = AccessKeys(path)
    assert [again.token(role) for role in BOTH] == [keys.token(role) for role in BOTH]
    # 256 bits in base64url without padding (RFC 4648, 5): ceil(32 * 8 / 6) characters.
    assert [len(keys.token(role)) for role in BOTH] == [43, 43]
    assert keys.token(Role.READER) != keys.token(Role.OPERATOR)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o601])
def test_keys_that_others_may_open_are_refused(
    keys: AccessKeys, path: Path, mode: int
) -> None:
    path.chmod(mode)
    with pytest.raises(InputError, match=rf"mode 0{mode:o}\), expected 0600") as caught:
        AccessKeys(path)
    assert keys.token(Role.OPERATOR) not in str(caught.value)


@pytest.mark.parametrize("text", ["", "{}", "[]", "null", '{"reader": "x", "operator": "y"}', "\x00"])  # fmt: skip
def test_a_file_without_keys_is_refused(path: Path, text: str) -> None:
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    with pytest.raises(InputError, match="does not hold two keys"):
        AccessKeys(path)


def test_one_key_for_both_is_refused(keys: AccessKeys, path: Path) -> None:
    token = keys.token(Role.READER)
    path.write_text(json.dumps({"reader": token, "operator": token}), encoding="utf-8")
    with pytest.raises(InputError, match="does not hold two keys") as caught:
        AccessKeys(path)
    # Not in a traceback either.
    assert caught.value.__cause__ is None
    assert token not in str(caught.value)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="nowhere/keys: cannot be written"):
        AccessKeys(tmp_path / "nowhere" / "keys")


def test_a_token_tells_its_role(keys: AccessKeys) -> None:
    for role in BOTH:
        assert keys.role_of_token(keys.token(role)) is role
    token = keys.token(Role.OPERATOR)
    for other in ("", token[:-1], f"{token} ", token.swapcase(), "é", "\ud800"):
        assert keys.role_of_token(other) is Role.NONE


def test_a_cookie_tells_its_role_and_is_never_the_same(keys: AccessKeys) -> None:
    for role in BOTH:
        cookies = {keys.cookie(role) for _ in range(10)}
        assert {keys.role_of_cookie(cookie) for cookie in cookies} == {role}
        assert len(cookies) == 10
        assert all(keys.token(role) not in cookie for cookie in cookies)


def test_a_cookie_is_signed_as_documented(keys: AccessKeys) -> None:
    role, nonce, signature = keys.cookie(Role.READER).split(".")
    key = keys.token(Role.READER).encode()
    expected = hmac.new(key, f"{role}.{nonce}".encode(), "sha256").hexdigest()
    assert signature == expected


def test_a_reader_cannot_make_himself_the_operator(keys: AccessKeys) -> None:
    role, nonce, signature = keys.cookie(Role.READER).split(".")
    for forged in (
        f"operator.{nonce}.{signature}",
        f"{role}.{nonce}x.{signature}",
        f"{nonce}.{signature}",
        signature,
        f"none.{nonce}.{signature}",
        keys.token(Role.OPERATOR),
    ):
        assert keys.role_of_cookie(forged) is Role.NONE


@given(st.text())
def test_no_made_up_cookie_or_token_is_taken(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    keys = AccessKeys(tmp_path_factory.getbasetemp() / "made-up.keys")
    assert keys.role_of_cookie(text) is Role.NONE
    assert keys.role_of_token(text) is Role.NONE


def test_renewing_makes_the_old_void_and_leaves_the_other_role(
    keys: AccessKeys, path: Path
) -> None:
    old = {role: (keys.token(role), keys.cookie(role)) for role in BOTH}
    keys.renew(Role.READER)
    for kept in (keys, AccessKeys(path)):
        token, cookie = old[Role.READER]
        assert kept.role_of_token(token) is kept.role_of_cookie(cookie) is Role.NONE
        token, cookie = old[Role.OPERATOR]
        assert kept.role_of_token(token) is kept.role_of_cookie(cookie) is Role.OPERATOR
        assert kept.role_of_token(keys.token(Role.READER)) is Role.READER
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


# ---- attempts


class Attempts:
    """A count whose clock the test moves."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.limit = EntryLimit(
            now_s=lambda: self.now_s, each=3, altogether=5, within_s=60.0
        )


def test_so_many_attempts_may_be_made_and_then_again_after_a_while() -> None:
    made = Attempts()
    for second in range(3):
        made.now_s = float(second)
        assert made.limit.wait_s("a") == 0.0
    assert made.limit.wait_s("a") == 58.0
    made.now_s = 59.5
    assert made.limit.wait_s("a") == 0.5
    made.now_s = 60.0
    assert made.limit.wait_s("a") == 0.0
    assert made.limit.wait_s("a") == 1.0


def test_an_address_does_not_use_up_anothers_attempts() -> None:
    made = Attempts()
    for _ in range(3):
        made.limit.wait_s("a")
    assert made.limit.wait_s("a") == 60.0
    assert made.limit.wait_s("b") == 0.0


def test_many_addresses_together_have_a_limit_too() -> None:
    made = Attempts()
    assert [made.limit.wait_s(f"a{n}") for n in range(7)] == [0.0] * 5 + [60.0] * 2
