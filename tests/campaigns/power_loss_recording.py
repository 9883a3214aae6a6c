"""Records every write, cut, deletion and fsync that SQLite asks the system for, in this process.

SQLite does all its input and output through a table of functions, its VFS (https://www.sqlite.org/vfs.html). Here the default one is replaced by a copy
of itself whose functions note what they are asked for before they do it. The library is the one that Python's own module has loaded, so the product's
connections are recorded as they are. Not recorded is the shared-memory file, which is made anew from the log after a failure.

SQLite's functions for Unix sync the folder, too, when a journal or log that was opened to be made is synced for the first time; so that no
deletion before it can come undone. That is seen from the flags and noted.
"""

import _sqlite3
import ctypes
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Any, ClassVar

# https://www.sqlite.org/c3ref/c_open_autoproxy.html
_CREATE, _JOURNAL, _WAL = 0x4, 0x800, 0x80000

_Pointer = ctypes.c_void_p
_OPEN = ctypes.CFUNCTYPE(
    ctypes.c_int, _Pointer, _Pointer, _Pointer, ctypes.c_int, _Pointer
)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, ctypes.c_char_p, ctypes.c_int)
_CLOSE = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer)
_WRITE = ctypes.CFUNCTYPE(
    ctypes.c_int, _Pointer, _Pointer, ctypes.c_int, ctypes.c_int64
)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, ctypes.c_int)


class _Vfs(ctypes.Structure):
    """The head of `sqlite3_vfs`; what follows is copied with it."""

    _fields_: ClassVar[Any] = (
        ("version", ctypes.c_int),
        ("file_size", ctypes.c_int),
        ("longest_path", ctypes.c_int),
        ("next", _Pointer),
        ("name", ctypes.c_char_p),
        ("data", _Pointer),
        ("open", _Pointer),
        ("delete", _Pointer),
        ("others", _Pointer * 14),
    )


class _Methods(ctypes.Structure):
    """`sqlite3_io_methods`, version 3."""

    _fields_: ClassVar[Any] = (
        ("version", ctypes.c_int),
        ("close", _Pointer),
        ("read", _Pointer),
        ("write", _Pointer),
        ("truncate", _Pointer),
        ("sync", _Pointer),
        ("others", _Pointer * 13),
    )


class Kind(Enum):
    """What was asked for."""

    WRITE = "write"
    TRUNCATE = "truncate"
    DELETE = "delete"
    SYNC = "sync"
    SYNC_FOLDER = "folder sync"


@dataclass(frozen=True, slots=True)
class Asked:
    """One thing that was asked of the system.

    Attributes:
        kind: What.
        name: The file's name in its folder.
        offset: Of a write; of a cut the size that is left [bytes].
        data: Of a write.
    """

    kind: Kind
    name: str
    offset: int = 0
    data: bytes = b""


class Recorder:
    """What was asked for in one folder, in order; `recording()` makes one."""

    def __init__(self, folder: Path) -> None:
        self.log: list[Asked] = []
        self._folder = str(folder)
        self._names: dict[int, str] = {}
        self._syncs_folder: set[int] = set()
        self._lock = threading.Lock()

    def _note(self, asked: Asked) -> None:
        with self._lock:
            self.log.append(asked)

    def opened(self, file: int, path: str, flags: int) -> bool:
        """A file was opened; whether it is of the folder."""
        if not path.startswith(self._folder):
            return False
        self._names[file] = Path(path).name
        if flags & _CREATE and flags & (_JOURNAL | _WAL):
            self._syncs_folder.add(file)
        return True

    def closed(self, file: int) -> None:
        del self._names[file]
        self._syncs_folder.discard(file)

    def wrote(self, file: int, data: bytes, offset: int) -> None:
        self._note(Asked(Kind.WRITE, self._names[file], offset, data))

    def truncated(self, file: int, size: int) -> None:
        self._note(Asked(Kind.TRUNCATE, self._names[file], size))

    def synced(self, file: int) -> None:
        self._note(Asked(Kind.SYNC, self._names[file]))
        if file in self._syncs_folder:
            self._syncs_folder.remove(file)
            self._note(Asked(Kind.SYNC_FOLDER, ""))

    def deleted(self, path: str) -> None:
        if path.startswith(self._folder):
            self._note(Asked(Kind.DELETE, Path(path).name))


_kept: list[object] = []
"""SQLite may call these as long as a connection is open; they are kept for good."""


@contextmanager
def recording(folder: Path) -> Iterator[Recorder]:
    """Record what is asked for in a folder by connections that are opened inside the block."""
    library: Any = ctypes.CDLL(_sqlite3.__file__)
    library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
    plain = library.sqlite3_vfs_find(None)
    recorder = Recorder(folder)
    vfs = _recording_vfs(plain, recorder)
    library.sqlite3_vfs_register(ctypes.byref(vfs), 1)
    try:
        yield recorder
    finally:
        library.sqlite3_vfs_unregister(ctypes.byref(vfs))
        library.sqlite3_vfs_register(plain, 1)


def _recording_vfs(plain: Any, recorder: Recorder) -> _Vfs:
    vfs = _Vfs.from_buffer_copy(plain.contents)
    vfs.name = b"recording"
    open_file, delete = _OPEN(vfs.open), _DELETE(vfs.delete)
    methods: dict[int, _Methods] = {}

    def on_open(
        own: int, path: int | None, file: int, flags: int, out: int | None
    ) -> int:
        code = open_file(own, path, file, flags, out)
        table = ctypes.cast(file, ctypes.POINTER(_Pointer))
        if code or not path or not table[0]:
            return int(code)
        if recorder.opened(file, ctypes.string_at(path).decode(), flags):
            found = table[0]
            if found not in methods:
                methods[found] = _recording_methods(found, recorder)
            table[0] = ctypes.addressof(methods[found])
        return 0

    def on_delete(own: int, path: bytes, sync_folder: int) -> int:
        recorder.deleted(path.decode())
        return int(delete(own, path, sync_folder))

    calls = (_OPEN(on_open), _DELETE(on_delete))
    vfs.open, vfs.delete = (_address(call) for call in calls)
    _kept.extend((vfs, calls, methods))
    return vfs


def _recording_methods(found: int, recorder: Recorder) -> _Methods:
    methods = _Methods.from_buffer_copy(
        ctypes.cast(found, ctypes.POINTER(_Methods)).contents
    )
    close, write = _CLOSE(methods.close), _WRITE(methods.write)
    truncate, sync = _TRUNCATE(methods.truncate), _SYNC(methods.sync)

    def on_close(file: int) -> int:
        recorder.closed(file)
        return int(close(file))

    def on_write(file: int, data: int, size: int, offset: int) -> int:
        recorder.wrote(file, ctypes.string_at(data, size), offset)
        return int(write(file, data, size, offset))

    def on_truncate(file: int, size: int) -> int:
        recorder.truncated(file, size)
        return int(truncate(file, size))

    def on_sync(file: int, flags: int) -> int:
        code = int(sync(file, flags))
        recorder.synced(file)
        return code

    calls = (_CLOSE(on_close), _WRITE(on_write), _TRUNCATE(on_truncate), _SYNC(on_sync))
    methods.close, methods.write, methods.truncate, methods.sync = map(_address, calls)
    _kept.append(calls)
    return methods


def _address(call: Callable[..., int]) -> int | None:
    return ctypes.cast(call, _Pointer).value  # type: ignore[arg-type]  # a function of ctypes
