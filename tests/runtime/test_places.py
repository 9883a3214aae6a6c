"""Where keys and socket of a service stand: whoever knows the store finds them."""

import socket
import tempfile
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


@pytest.mark.parametrize("runtime", [True, False])
def test_in_a_deep_folder_the_socket_stands_where_it_can_be_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, runtime: bool
) -> None:
    with tempfile.TemporaryDirectory(prefix="sb", dir="/tmp") as short:
        if runtime:
            monkeypatch.setenv("XDG_RUNTIME_DIR", short)
        else:
            monkeypatch.delenv("XDG_RUNTIME_DIR", raising=False)
            monkeypatch.setattr(tempfile, "tempdir", short)
        deep = tmp_path.joinpath(*["a folder with a long name"] * 5)
        deep.mkdir(parents=True)
        path = socket_path(deep / "bench.db")
        assert path.parent == Path(short)
        assert path != socket_path(deep / "other.db")
        with socket.socket(socket.AF_UNIX) as listener:
            listener.bind(str(path))


def test_letters_of_several_bytes_count_as_what_they_take() -> None:
    # 60 letters, 120 bytes.
    store = Path("/srv") / ("ä" * 60) / "bench.db"
    assert socket_path(store).parent != store.parent
