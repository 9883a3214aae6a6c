"""A whole service whose keys are guessed and used, and whose door is crowded: it tells no key, and goes on measuring."""

import http.client
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.runtime.test_web_hostile import crowd
from tests.system.bench_process import ROOT, SPEED, BenchFolder, Simulators
from tests.system.serving import Service, ask, done, quick_filters

pytestmark = [pytest.mark.slow, pytest.mark.pty, pytest.mark.timeout(120)]

PASSWORD = "8-bit-of-a-secret"  # noqa: S105 - made up for this test


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    return quick_filters(tmp_path)


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


def posted(
    bench: BenchFolder, path: str, body: dict[str, str], cookie: str = ""
) -> tuple[int, str]:
    """Status, and the cookie that is given."""
    connection = http.client.HTTPConnection("127.0.0.1", bench.page_port, timeout=10)
    headers = {
        "Origin": f"http://127.0.0.1:{bench.page_port}",
        "Content-Type": "application/json",
        "Cookie": cookie,
    }
    connection.request("POST", path, json.dumps(body), headers)
    answer = connection.getresponse()
    given = answer.headers.get("set-cookie", "").partition(";")[0]
    connection.close()
    return answer.status, given


def kept_in(folder: Path) -> dict[str, bytes]:
    """Every file beside the bench, but the one that the keys are in and that of the password."""
    return {
        path.name: path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name not in {"bench.keys", "word"}
    }


@pytest.mark.usefixtures("simulators")
def test_no_key_and_no_password_is_told_or_kept_anywhere(bench: BenchFolder) -> None:
    word = bench.path / "word"
    word.write_text(PASSWORD, encoding="utf-8")
    word.chmod(0o600)
    # Nobody listens on port 1: the broker is dialled in vain all the time.
    table = '[broker]\nhost = "127.0.0.1"\nport = 1\nuser = "bench"\npassword_file = "word"\n\n[page]'
    bench.edit("bench.toml", "[page]", table)
    command = [sys.executable, "-m", "daq", "--debug", "serve", str(bench.path / "bench.toml")]  # fmt: skip
    with subprocess.Popen(
        [*command, "--plain", "--speed", SPEED],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        env={**os.environ, "PYTHONASYNCIODEBUG": "1"},
    ) as process:
        try:
            bench.wait_for(lambda s: all(i["state"] == "ok" for i in s["instruments"]))
            keys = json.loads((bench.path / "bench.keys").read_bytes())
            operator, reader = keys["operator"], keys["reader"]
            status, cookie = posted(bench, "/api/access", {"token": operator})
            assert status == 200
            assert posted(bench, "/api/access", {"token": reader})[0] == 200
            assert posted(bench, "/api/access", {"token": f"{operator[:-1]}!"})[0] == 401  # fmt: skip
            assert posted(bench, "/api/session/pause", {}, f"{cookie}x")[0] == 401
            assert posted(bench, "/api/session/pause", {}, cookie)[0] == 409
            assert posted(bench, "/api/access/renew", {"role": "reader"}, cookie)[0] == 200  # fmt: skip
            done(bench, "start", "filters")
            assert posted(bench, "/api/session/note", {"text": "a note"}, cookie)[0] == 200  # fmt: skip
            bench.wait_for(lambda s: "a note" in str(s["events"]))
            state = json.dumps(bench.state())
        finally:
            process.send_signal(signal.SIGTERM)
            said, _ = process.communicate(timeout=30)
    renewed = json.loads((bench.path / "bench.keys").read_bytes())["reader"]
    assert renewed != reader
    everything = {**kept_in(bench.path), "said": said, "state": state.encode()}
    # It was there to be found, and the log of the loop is among what was said.
    assert b"a note" in everything["bench.db"]
    assert b"DEBUG asyncio" in said
    secrets = [operator, reader, renewed, PASSWORD, cookie.partition("=")[2]]
    told = [
        (name, secret)
        for name, content in everything.items()
        for secret in secrets
        if secret.encode() in content
    ]
    assert told == []


@pytest.mark.usefixtures("simulators")
def test_a_crowd_at_the_door_stops_no_measurement(bench: BenchFolder) -> None:
    service = Service(bench)
    try:
        before = {i["name"]: i["readings"] for i in bench.state()["instruments"]}

        def state() -> dict:
            # Over the socket: the crowd stands at the other door.
            found: dict = json.loads(ask(bench, "status", "--json").out)
            return found

        with crowd(bench.page_port):
            seen = state()
            while any(i["readings"] < before[i["name"]] + 5 for i in seen["instruments"]):  # fmt: skip
                seen = state()
        assert [i["state"] for i in seen["instruments"]] == ["ok"] * len(before)
        # Whoever comes when they have left is served.
        bench.wait_for(lambda s: s["stage"]["name"] == "idle")
    finally:
        service.signal(signal.SIGTERM)
        _, said = service.finish()
    assert "Traceback" not in said
