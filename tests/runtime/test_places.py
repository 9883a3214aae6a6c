"""Where keys and socket of a service stand: whoever knows the store finds them."""

from pathlib import Path

import pytest

from daq.runtime.places import keys_path, socket_path


def test_keys_and_socket_stand_beside_the_store() -> None:
    # Nothing is there: the folder of the tests may lie deep itself.
    store = Path("/srv/bench/bench.db")
    assert keys_path(store) == Path("/srv/bench/bench.keys")
    assert socket_path(store) == Path("/srv/bench/bench.socket")


def test_two_stores_in_one_folder_have_sockets_of_their_own() -> None:
    assert socket_path(Path("/srv/a.db")) != socket_path(Path("/srv/b.db"))


def test_a_store_is_the_same_however_it_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "elsewhere").symlink_to(tmp_path / "there")
    monkeypatch.chdir(tmp_path)
    whole = socket_path(tmp_path / "there" / "bench.db")
    assert socket_path(Path("there/bench.db")) == whole
    assert socket_path(tmp_path / "elsewhere" / "bench.db") == whole
    assert socket_path(Path("there/../there/bench.db")) == whole


def test_in_a_deep_folder_there_is_no_socket() -> None:
    deep = Path("/srv").joinpath(*["a folder with a long name"] * 5)
    assert socket_path(deep / "bench.db") is None
    assert keys_path(deep / "bench.db") == deep / "bench.keys"


def test_letters_of_several_bytes_count_as_what_they_take() -> None:
    assert socket_path(Path("/srv") / ("a" * 60) / "bench.db") is not None
    # 60 letters, 120 bytes.
    assert socket_path(Path("/srv") / ("ä" * 60) / "bench.db") is None
