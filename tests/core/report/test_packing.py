"""A pack holds what it says, and tells whether it was changed."""

import hashlib
import io
import zipfile

from daq.report.packing import CHECKSUMS, Member, write_pack

MEMBERS: list[Member] = [
    ("a.txt", ["one ", "two\r\n"]),
    ("b.csv", ["ü,±\r\n"] * 40_000),
    ("empty.txt", []),
]


def packed() -> bytes:
    file = io.BytesIO()
    write_pack(file, MEMBERS)
    return file.getvalue()


def test_every_member_comes_out_as_it_went_in() -> None:
    with zipfile.ZipFile(io.BytesIO(packed())) as pack:
        assert pack.testzip() is None
        assert pack.read("a.txt") == b"one two\r\n"
        assert pack.read("b.csv").decode() == "ü,±\r\n" * 40_000
        assert pack.read("empty.txt") == b""


def test_the_checksums_are_those_of_the_members() -> None:
    with zipfile.ZipFile(io.BytesIO(packed())) as pack:
        lines = pack.read(CHECKSUMS).decode().splitlines()
        assert lines == [
            f"{hashlib.sha256(pack.read(name)).hexdigest()}  {name}"
            for name, _ in MEMBERS
        ]


def test_the_same_content_gives_the_same_bytes() -> None:
    assert packed() == packed()
    with zipfile.ZipFile(io.BytesIO(packed())) as pack:
        assert {info.date_time for info in pack.infolist()} == {(1980, 1, 1, 0, 0, 0)}
