"""The simulator as a process: its lines read by a second party, its manners at the end."""

import json
import os
import queue
import signal
import subprocess
import sys
import threading
from array import array
from collections.abc import Callable, Iterator
from fcntl import ioctl
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from termios import FIONREAD

import pytest
import serial
from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusIOException

ROOT = Path(__file__).parents[2]
PATIENCE_S = 20.0

pytestmark = [pytest.mark.pty, pytest.mark.slow]


class Simulator:
    def __init__(self, scenario: str, ports: Path, *options: str) -> None:
        self.ports = ports
        file = ROOT / "configs" / scenario / "simulation.toml"
        self._process = subprocess.Popen(
            [
                sys.executable,
                *("-m", "simulators", str(file), "--ports", str(ports)),
                *("--speed", "12", *options),
            ],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self._said: queue.Queue[str] = queue.Queue()
        self._reader = threading.Thread(target=self._listen)
        self._reader.start()
        self.introduced = self.wait_for(lambda line: line == "ready")

    def wait_for(self, wanted: Callable[[str], bool]) -> list[str]:
        """Lines up to and with the wanted one."""
        lines: list[str] = []
        while not lines or not wanted(lines[-1]):
            lines.append(self._said.get(timeout=PATIENCE_S))
        return lines

    def type(self, command: str) -> str:
        assert self._process.stdin is not None
        self._process.stdin.write(command + "\n")
        self._process.stdin.flush()
        answers = ("ok", "error")
        return self.wait_for(lambda line: line.startswith(answers))[-1]

    def state(self) -> dict[str, object]:
        state: dict[str, object] = json.loads(self.type("state").removeprefix("ok "))
        return state

    def close_input(self) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()

    def end(self, how: Callable[[subprocess.Popen[str]], object]) -> int:
        how(self._process)
        code = self._process.wait(timeout=PATIENCE_S)
        self._reader.join(timeout=PATIENCE_S)
        return code

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(timeout=PATIENCE_S)
        self._reader.join(timeout=PATIENCE_S)
        for stream in (self._process.stdin, self._process.stdout):
            assert stream is not None
            stream.close()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._said.put(line.rstrip("\n"))


Start = Callable[..., Simulator]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    begun = []

    def begin(scenario: str, *options: str) -> Simulator:
        simulator = Simulator(scenario, tmp_path / "ports", *options)
        begun.append(simulator)
        return simulator

    yield begin
    for simulator in begun:
        simulator.close()


async def volts(port: Path, unit: int) -> float:
    client = AsyncModbusSerialClient(str(port), baudrate=38400, timeout=2, retries=0)
    assert await client.connect()
    try:
        reply = await client.read_input_registers(0, count=2, device_id=unit)
    finally:
        client.close()
    assert not reply.isError()
    value = client.convert_from_registers(reply.registers, client.DATATYPE.FLOAT32)
    assert isinstance(value, float)
    return value


async def test_at_another_baud_rate_no_request_is_understood(start: Start) -> None:
    port = start("leads").ports / "mains"
    client = AsyncModbusSerialClient(str(port), baudrate=9600, timeout=0.3, retries=0)
    assert await client.connect()
    try:
        with pytest.raises(ModbusIOException, match="No response received"):
            await client.read_input_registers(0, count=2, device_id=1)
    finally:
        client.close()
    # The line keeps no grudge: the next host has the right speed.
    assert await volts(port, 1) > 200


@pytest.mark.parametrize("baud", [300, 57600, 230400])
def test_at_another_baud_rate_a_talking_meter_is_heard_as_rubbish(
    start: Start, baud: int
) -> None:
    port = start("leads").ports / "air"
    with serial.Serial(str(port), baud, timeout=PATIENCE_S) as line:
        heard = line.read(100)
    assert len(heard) == 100
    # No digit, no letter, no line end.
    assert min(heard) > 127
    with serial.Serial(str(port), 115200, timeout=PATIENCE_S) as line:
        line.readline()  # may have begun before the port was open
        assert line.readline().startswith(b"V=")


async def test_another_partys_client_reads_both_units_and_gets_their_exceptions(
    start: Start,
) -> None:
    simulator = start("leads")
    port = simulator.ports / "mains"
    # 230 V; 0.3 % of reading + 1 count of 0.1 V and the wandering of the supply.
    for unit in (1, 2):
        assert await volts(port, unit) == pytest.approx(230, abs=1.5)
    client = AsyncModbusSerialClient(str(port), baudrate=38400, timeout=2, retries=0)
    assert await client.connect()
    beyond = await client.read_input_registers(6, count=4, device_id=1)
    coils = await client.read_coils(0, count=1, device_id=2)
    holding = await client.read_holding_registers(0, count=8, device_id=1)
    client.close()
    assert beyond.exception_code == 2
    assert coils.exception_code == 1
    assert len(holding.registers) == 8


async def test_a_pulled_plug_ends_the_line_and_a_plug_put_back_opens_a_new_one(
    start: Start,
) -> None:
    simulator = start("leads")
    port = simulator.ports / "mains"
    assert await volts(port, 1) > 200
    with serial.Serial(str(port), 38400, timeout=PATIENCE_S) as held:
        assert simulator.type("unplug mains") == "ok mains"
        assert not port.is_symlink()
        with pytest.raises(serial.SerialException):
            held.read(1)
    assert simulator.type("plug mains") == "ok mains"
    assert await volts(port, 1) > 200


def test_the_lines_are_introduced_with_name_place_framing_and_units(
    start: Start,
) -> None:
    simulator = start("leads")
    ports = simulator.ports
    assert simulator.introduced == [
        f"mains  {ports}/mains  38400 8N1  units 1, 2",
        f"air  {ports}/air  115200 8N1  vane-anemometer-stream",
        "ready",
    ]
    assert simulator.type("counts").startswith('ok {"mains": {"requests": 0')


def test_a_query_is_answered_and_a_stale_name_replaced(
    start: Start, tmp_path: Path
) -> None:
    (tmp_path / "ports").mkdir()
    (tmp_path / "ports" / "power").symlink_to(tmp_path / "gone")
    simulator = start("filters")
    with serial.Serial(str(simulator.ports / "power"), 19200, timeout=5) as port:
        port.write(b"*IDN?\n")
        assert port.readline().count(b",") == 3
        port.write(b"MEAS?\n")
        fields = port.readline().rstrip(b"\n").split(b",")
    assert len(fields) == 4
    assert float(fields[0]) == pytest.approx(230, abs=1.5)


def test_the_anemometer_talks_by_itself_and_feels_the_machine_start(
    start: Start,
) -> None:
    simulator = start("leads")
    assert simulator.type("on") == "ok on"
    with serial.Serial(str(simulator.ports / "air"), 115200, timeout=5) as port:
        port.readline()  # may have begun before the port was open
        for _ in range(400):
            line = port.readline()
            assert line.startswith(b"V=+")
            assert line.endswith(b" C\r\n")
            if float(line[2:8]) > 15:
                break
        else:
            pytest.fail("the machine never blew")


def test_a_request_to_terminate_leaves_no_names_behind_and_writes_the_truth(
    start: Start, tmp_path: Path
) -> None:
    truth = tmp_path / "truth.json"
    simulator = start("leads", "--truth", str(truth))
    assert json.loads(truth.read_text(encoding="utf-8"))["scenario"] == "leads"
    truth.unlink()
    assert simulator.end(lambda process: process.send_signal(signal.SIGTERM)) == 0
    assert list(simulator.ports.iterdir()) == []
    assert len(json.loads(truth.read_text(encoding="utf-8"))["entries"]) == 44
    simulator.wait_for(lambda line: line.startswith("counts {"))


def test_the_end_of_a_pipe_ends_the_simulator(start: Start) -> None:
    simulator = start("filters")
    assert simulator.end(lambda _: simulator.close_input()) == 0
    assert list(simulator.ports.iterdir()) == []


def test_a_file_that_does_not_fit_ends_with_code_2(tmp_path: Path) -> None:
    file = tmp_path / "simulation.toml"
    file.write_text("format = 9\n", encoding="utf-8")
    ended = subprocess.run(
        [sys.executable, "-m", "simulators", str(file)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=PATIENCE_S,
    )
    assert ended.returncode == 2
    assert f"{file}: format: got 9, expected a whole number" in ended.stderr
    assert "Traceback" not in ended.stderr


class Page:
    """A page that shows what the test wants the person to see."""

    def __init__(self) -> None:
        self.snapshot: dict[str, object] = {"stage": {"name": "unfinished"}}
        page = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                content = json.dumps(page.snapshot).encode()
                self.send_response(200 if self.path == "/api/state" else 404)
                self.send_header("Content-Length", str(len(content)))
                self.end_headers()
                self.wfile.write(content)

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - given
                del format, args

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever)
        self._thread.start()

    def show(self, stage: str, condition: str) -> None:
        called_for = {"name": condition, "repeat": 1, "position": 1}
        self.snapshot = {"stage": {"name": stage}, "condition": called_for}

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


@pytest.fixture
def page() -> Iterator[Page]:
    page = Page()
    yield page
    page.close()


def test_a_person_follows_the_page(start: Start, page: Page) -> None:
    simulator = start("leads", "--watch", page.url, "--speed", "40")
    page.show("waiting", "1.0 mm2, 40 m")
    simulator.wait_for(lambda line: line.startswith("person fits and switches on at"))
    state = simulator.state()
    assert state["running"] is True
    assert state["condition"] == "1.0 mm2, 40 m"
    page.show("done", "1.0 mm2, 40 m")
    simulator.wait_for(lambda line: line.startswith("person switches off at"))
    assert simulator.state()["running"] is False
    page.show("waiting", "a garden hose")
    simulator.wait_for(lambda line: line.startswith("error: condition 'a garden hose'"))


def test_a_person_goes_on_after_the_end_of_input(start: Start, page: Page) -> None:
    simulator = start("leads", "--watch", page.url, "--speed", "40")
    simulator.close_input()
    page.show("waiting", "at the outlet")
    simulator.wait_for(lambda line: line.startswith("person fits and switches on at"))
    assert simulator.end(lambda process: process.send_signal(signal.SIGINT)) == 0


def test_a_person_without_a_page_touches_nothing(start: Start, page: Page) -> None:
    page.close()
    simulator = start("leads", "--watch", page.url, "--speed", "200")
    while float(str(simulator.state()["bench_s"])) < 60:
        pass
    assert simulator.state()["running"] is False


def test_what_nobody_read_is_lost_as_on_a_wire(start: Start) -> None:
    simulator = start("leads", "--speed", "200")
    # 400 lines a second of 24 characters, for half a second at least: 4800 characters.
    while float(str(simulator.state()["bench_s"])) < 100:
        pass
    port = os.open(simulator.ports / "air", os.O_RDONLY | os.O_NOCTTY)
    waiting = array("i", [0])
    ioctl(port, FIONREAD, waiting)
    os.close(port)
    # 2048 may lie there, and the piece that is written on top of them.
    assert waiting[0] <= 2048 + 64
