"""Meters behind device servers that others have written: ser2net, socat, an RFC 2217 server, pymodbus.

The meters are the simulators' own on pseudo-terminals, or pymodbus; between them and our poller stands a program of
another party, on the loopback.
"""

import asyncio
import contextlib
import shutil
import subprocess
import sys
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from pymodbus.framer import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from daq.cli import listen, registers
from daq.cli.guarded import guarded
from daq.config.bench import Instrument, parse_bench
from daq.records import GapReason
from daq.runtime.poller import LineState
from tests.hidden_meters import HiddenMeter, Operator, Wire, unit_answer
from tests.runtime.polled_meters import Heard, polling
from tests.runtime.waiting import PATIENCE_S, until
from tests.system.bench_process import free_port
from tests.system.conftest import CONFIGS, ROOT

# The library's client names its thread in a way that is deprecated since Python 3.10.
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings(r"ignore:set\w+\(\) is deprecated"),
    # Where its peer has gone the library's client forgets its socket instead of closing it.
    pytest.mark.filterwarnings("ignore:unclosed <socket:ResourceWarning"),
]


def _program(name: str) -> str | None:
    return shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")


def _needs(name: str) -> pytest.MarkDecorator:
    return pytest.mark.skipif(
        _program(name) is None, reason=f"needs the Debian package {name}"
    )


# ---- the servers


class DeviceServer:
    """One program between a serial line and a TCP port; it can go away and come back."""

    scheme = "socket"
    query = ""

    def __init__(self, device: Path, baud: int, folder: Path) -> None:
        self.device, self.baud, self.folder = device, baud, folder
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}{self.query}"

    def command(self) -> list[str]:
        raise NotImplementedError

    async def start(self) -> None:
        self._launch()
        await until(self._listens)

    def _launch(self) -> None:
        self._process = subprocess.Popen(self.command(), cwd=self.folder)

    def _listens(self) -> bool:
        """Looked up rather than tried: a connection that hangs up at once is a client too."""
        own = f"0100007F:{self.port:04X}"
        rows = Path("/proc/net/tcp").read_text(encoding="ascii").splitlines()[1:]
        # Column 1 is the local address, column 3 the state; 0A is listening.
        return any(row.split()[1] == own and row.split()[3] == "0A" for row in rows)

    def stop(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(PATIENCE_S)


class Socat(DeviceServer):
    def command(self) -> list[str]:
        listen = f"TCP-LISTEN:{self.port},bind=127.0.0.1,reuseaddr"
        return [
            str(_program("socat")),
            listen,
            f"FILE:{self.device},b{self.baud},raw,echo=0",
        ]


class Ser2net(DeviceServer):
    accepter = "tcp"
    # Another speed than the meter's, unless the client may set it.
    speed = ""

    def command(self) -> list[str]:
        file = self.folder / "ser2net.yaml"
        speed = self.speed or f"{self.baud}n81"
        file.write_text(
            f"connection: &meter\n  accepter: {self.accepter},127.0.0.1,{self.port}\n"
            f"  connector: serialdev(nouucplock=true),{self.device},{speed},local\n"
            "  options:\n    kickolduser: true\n",
            encoding="utf-8",
        )
        return [str(_program("ser2net")), "-n", "-c", str(file)]


class Ser2netRfc2217(Ser2net):
    scheme = "rfc2217"
    # A pseudo-terminal has no modem signals, and this server does not answer for what it cannot set.
    query = "?ign_set_control"
    accepter = "telnet(rfc2217=true),tcp"
    speed = "1200n81"


class LibraryRfc2217(DeviceServer):
    scheme = "rfc2217"

    def command(self) -> list[str]:
        script = Path(__file__).with_name("rfc2217_server.py")
        return [sys.executable, str(script), str(self.device), str(self.port)]


SERVERS = [
    pytest.param(Socat, id="socat", marks=_needs("socat")),
    pytest.param(Ser2net, id="ser2net", marks=_needs("ser2net")),
    pytest.param(Ser2netRfc2217, id="ser2net RFC 2217", marks=_needs("ser2net")),
    pytest.param(LibraryRfc2217, id="library RFC 2217"),
]


# ---- meters behind them


def _instruments(text: str) -> tuple[Instrument, ...]:
    def shipped(name: str) -> tuple[str, str]:
        path = CONFIGS / "profiles" / f"{name}.toml"
        return str(path), path.read_text(encoding="utf-8")

    return parse_bench(text, file="bench.toml", find_profile=shipped).instruments


def _bench(*rows: tuple[str, str, str]) -> str:
    """A bench of instruments by name, profile and further keys."""
    return 'format = 1\nname = "bench"\n' + "".join(
        f'[[instrument]]\nname = "{name}"\nprofile = "{profile}"\n{more}\n'
        for name, profile, more in rows
    )


@pytest.fixture
def ports(tmp_path: Path, simulate: Callable[..., object]) -> Path:
    """Folder of the lines of one simulated meter of every kind."""
    folder = tmp_path / "all-meters"
    shutil.copytree(CONFIGS / "all-meters", folder)
    simulate(folder)
    return folder / "ports"


@pytest.fixture
def begin(ports: Path, tmp_path: Path) -> Iterator[Callable[..., DeviceServer]]:
    """Puts a device server before a line."""
    begun: list[DeviceServer] = []

    def made(kind: type[DeviceServer], line: str, baud: int) -> DeviceServer:
        begun.append(kind(ports / line, baud, tmp_path))
        return begun[-1]

    yield made
    for server in begun:
        server.stop()


async def _read(heard: Heard, *names: str, more: int = 3) -> None:
    """Wait until each has given so many more readings."""
    before = {name: len(heard.readings(name)) for name in names}
    for name in names:
        await heard.until_readings(before[name] + more, name)


@pytest.mark.pty
@pytest.mark.parametrize("kind", SERVERS)
async def test_two_units_behind_a_device_server_are_read(
    kind: type[DeviceServer], begin: Callable[..., DeviceServer]
) -> None:
    server = begin(kind, "mains", 38400)
    await server.start()
    settings = f'port = "{server.url}"\nbaud = 38400\n'
    meters = _instruments(
        _bench(
            ("near", "ac-meter-float", settings + "unit = 1"),
            ("far", "ac-meter-scaled", settings + "unit = 2"),
        )
    )
    async with polling(meters) as heard:
        await _read(heard, "near", "far")
    for name in ("near", "far"):
        # The simulated supply is 230 V, and the machine is off; its voltage wanders by less than 1 %.
        assert heard.values(name)[-1] == pytest.approx(230.0, rel=0.02)
    assert heard.states[0] is LineState.OPEN


@pytest.mark.pty
@pytest.mark.parametrize("kind", SERVERS)
@pytest.mark.parametrize(
    ("line", "baud", "profile"),
    [("vane", 115200, "vane-anemometer-stream"), ("clamp", 9600, "ammeter-frames")],
)
async def test_a_meter_that_talks_by_itself_is_heard_through_a_device_server(
    kind: type[DeviceServer],
    line: str,
    baud: int,
    profile: str,
    begin: Callable[..., DeviceServer],
) -> None:
    server = begin(kind, line, baud)
    await server.start()
    text = _bench(("meter", profile, f'port = "{server.url}"'))
    async with polling(_instruments(text)) as heard:
        await _read(heard, "meter")
    # The machine is off: neither air nor current.
    assert heard.values()[-1] == pytest.approx(0.0, abs=0.1)


@pytest.mark.pty
@pytest.mark.parametrize("kind", SERVERS)
async def test_a_device_server_that_goes_away_and_comes_back_is_a_gap_and_no_more(
    kind: type[DeviceServer], begin: Callable[..., DeviceServer]
) -> None:
    server = begin(kind, "pressure", 9600)
    await server.start()
    keys = f'port = "{server.url}"\nunit = '
    text = _bench(
        ("one", "pressure-query", keys + "1"), ("two", "pressure-query", keys + "2")
    )
    async with polling(_instruments(text)) as heard:
        await _read(heard, "one", "two")
        server.stop()
        await until(lambda: LineState.LOST in heard.states)
        await until(lambda: len(heard.gaps("one")) > 0)
        await server.start()
        await _read(heard, "one", "two")
    lost = [gap for gap in heard.faults("one") if gap.reason is GapReason.PORT_LOST]
    assert lost
    told = [text for state, text in heard.lines if state is LineState.LOST]
    assert all(server.url in text for text in told)
    assert heard.states[-1] is LineState.OPEN


# ---- meters of another party


def _other_party(unit: int, words: list[int]) -> SimDevice:
    registers = [SimData(0, values=words, datatype=DataType.REGISTERS)]
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(unit, (bits, bits, registers, registers))


@asynccontextmanager
async def _served(
    framer: FramerType, port: int, *devices: SimDevice
) -> AsyncIterator[ModbusTcpServer]:
    server = ModbusTcpServer(list(devices), framer=framer, address=("127.0.0.1", port))
    await server.serve_forever(background=True)
    try:
        yield server
    finally:
        await server.shutdown()


# 21.3 degC, 43.5 %RH, 991.5 hPa as the profile scales them.
AMBIENT = [213, 435, 9915]
# 230.0 V as in tests/simulators: 0x4366 0x0000; the others 0.
MAINS = [0x4366, 0, 0, 0, 0, 0, 0, 0]


@pytest.mark.parametrize(
    ("framer", "profile", "words", "values"),
    [
        (FramerType.ASCII, "ambient-ascii", AMBIENT, (21.3, 43.5, 991.5)),
        (FramerType.RTU, "ac-meter-float", MAINS, (230.0, 0.0, 0.0, 0.0)),
    ],
    ids=["ASCII", "RTU"],
)
async def test_units_of_another_party_are_read_and_found_again(
    framer: FramerType, profile: str, words: list[int], values: tuple[float, ...]
) -> None:
    port = free_port()
    keys = f'port = "socket://127.0.0.1:{port}"\nunit = '
    text = _bench(("near", profile, keys + "3"), ("far", profile, keys + "247"))
    devices = [_other_party(unit, words) for unit in (3, 247)]
    async with polling(_instruments(text)) as heard:
        async with _served(framer, port, *devices):
            await _read(heard, "near", "far")
        await until(lambda: LineState.LOST in heard.states)
        async with _served(framer, port, *devices):
            await _read(heard, "near", "far")
    for name in ("near", "far"):
        # Scaled by a tenth in double precision.
        assert heard.readings(name)[-1].values == pytest.approx(values, abs=1e-9)
        reasons = {gap.reason for gap in heard.faults(name)}
        assert reasons <= {GapReason.PORT_LOST, GapReason.NO_REPLY}


async def test_an_ascii_unit_that_is_not_there_is_told() -> None:
    port = free_port()
    text = _bench(
        ("meter", "ambient-ascii", f'port = "socket://127.0.0.1:{port}"\nunit = 9')
    )
    async with (
        _served(FramerType.ASCII, port, _other_party(3, AMBIENT)),
        polling(_instruments(text)) as heard,
    ):
        await until(lambda: bool(heard.faults()))
    # That server answers for units that it does not have: exception 11 (Application Protocol V1.1b3, 7).
    assert heard.faults()[0].reason is GapReason.REFUSED


# ---- finding out how a meter talks

# The line is opened time after time, and the other program serves one client only.
FINDING = [
    pytest.param(Ser2net, id="socket", marks=_needs("ser2net")),
    pytest.param(LibraryRfc2217, id="rfc2217"),
]


@contextlib.contextmanager
def _before(
    meter: HiddenMeter, kind: type[DeviceServer], folder: Path
) -> Iterator[str]:
    """A device server before a meter; gives its address."""
    server = kind(Path(meter.path), meter.wire.baud, folder)
    with meter:
        asyncio.run(server.start())
        try:
            yield server.url
        finally:
            server.stop()


@pytest.mark.pty
@pytest.mark.parametrize("kind", FINDING)
def test_listen_finds_a_meter_behind_a_device_server(
    kind: type[DeviceServer], tmp_path: Path
) -> None:
    meter = HiddenMeter(
        Wire(19_200), speak=lambda: b"V=+12.34 m/s T=+21.6 C\r\n", interval_s=0.05
    )
    operator = Operator(answer=lambda _: "")
    with _before(meter, kind, tmp_path) as url, operator.attending():
        words = [url, "--baud", "19200", "--framing", "8N1", "--seconds", "2"]
        code = guarded(listen.run, words, debug=False)
    assert code == 0, operator.text
    assert "The meter sends lines by itself at 19200 8N1" in operator.text
    assert "column 1:       +12.34   velocity [m/s]" in operator.text


@pytest.mark.pty
@pytest.mark.parametrize("kind", FINDING)
def test_registers_finds_the_display_of_a_meter_behind_a_device_server(
    kind: type[DeviceServer], tmp_path: Path
) -> None:
    loads = ((2304, 118), (2261, 1410))
    load = 0

    def held() -> dict[int, int]:
        return {0: 2300, 4: loads[load][0], 5: loads[load][1], 6: 4711}

    def answer(question: str) -> str:
        nonlocal load
        if "press Enter" in question:
            load = 1 - load
        if "display shows now: voltage" in question:
            return f"{loads[load][0] / 10:.1f}"
        if "display shows now: power" in question:
            return f"{loads[load][1]}"
        return ""

    meter = HiddenMeter(Wire(9600), answer=unit_answer(1, (4,), held))
    operator = Operator(answer=answer)
    folder = tmp_path / "found"
    known = ("--baud", "9600", "--framing", "8N1", "--unit", "1", "--last", "15")
    shown = ("--shows", "voltage=230.4 V", "--shows", "power=118 W")
    quick = ("--pause", "0", "--every", "0", "--write", str(folder))
    with _before(meter, kind, tmp_path) as url, operator.attending():
        code = guarded(registers.run, [url, *known, *shown, *quick], debug=False)
    assert code == 0, operator.text
    bench = (folder / "bench.toml").read_text("utf-8")
    assert f'port = "{url}"' in bench
    profile = (folder / "found.toml").read_text("utf-8")
    assert "address = 4\n" in profile
    assert "address = 5\n" in profile


# ---- one of every kind


@pytest.mark.pty
def test_check_finds_one_meter_of_every_kind_in_order(
    tmp_path: Path, ports: Path
) -> None:
    assert ports.is_dir()
    bench = tmp_path / "all-meters" / "bench.toml"
    done = subprocess.run(
        [sys.executable, "-m", "daq", "check", str(bench), "--seconds", "2"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith("\nEvery meter answers.\n")
    assert done.stdout.count(" 0 gaps") == 10
