"""Which brokers let the publisher in, and which of them it speaks to."""

from pathlib import Path

import pytest

from daq.errors import InputError
from daq.runtime.broker import TlsSettings
from tests.campaigns.brokers_witness import USER, WORD, KeepingBroker
from tests.runtime.brokers import (
    RIGHT_WORD,
    WRONG_WORD,
    Bench,
    Mosquitto,
    find_program,
    run_program,
)
from tests.runtime.waiting import until

pytestmark = pytest.mark.usefixtures("nothing_is_left_open")


@pytest.fixture
async def guarded(mosquitto: Mosquitto, tmp_path: Path) -> int:
    """A port that wants user "bench" with the right word."""
    passwords = tmp_path / "passwords"
    program = find_program("mosquitto_passwd")
    run_program(program, "-b", "-c", str(passwords), "bench", RIGHT_WORD)
    mosquitto.configure("allow_anonymous false", f"password_file {passwords}")
    return await mosquitto.start()


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_user_and_password_let_the_publisher_in(guarded: int) -> None:
    bench = Bench(guarded, user="bench", password=RIGHT_WORD)
    async with bench.running():
        await until(lambda: bench.is_("ok"))


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_wrong_password_is_away_with_a_plain_sentence(guarded: int) -> None:
    bench = Bench(guarded, user="bench", password=WRONG_WORD)
    async with bench.running():
        await until(lambda: bench.is_("away"))
    assert bench.states[0] == (
        "away",
        "away since 10:12:13: it refuses the user name or the password",
    )


def make_certificate(folder: Path, name: str) -> tuple[Path, Path]:
    certificate, key = folder / f"{name}.crt", folder / f"{name}.key"
    request = (
        "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    )
    run_program(
        *(find_program("openssl"), *request.split()),
        *("-subj", "/CN=test broker", "-addext", "subjectAltName=IP:127.0.0.1"),
        *("-keyout", str(key), "-out", str(certificate)),
    )
    return certificate, key


@pytest.fixture
async def encrypted(mosquitto: Mosquitto, tmp_path: Path) -> int:
    """A port that speaks TLS with the certificate broker.crt."""
    certificate, key = make_certificate(tmp_path, "broker")
    mosquitto.configure(
        "allow_anonymous true", f"certfile {certificate}", f"keyfile {key}"
    )
    return await mosquitto.start()


@pytest.mark.slow
@pytest.mark.mosquitto
async def test_a_broker_with_a_trusted_certificate_is_spoken_to(
    encrypted: int, tmp_path: Path
) -> None:
    bench = Bench(encrypted, tls=TlsSettings(ca_file=tmp_path / "broker.crt"))
    bench.outbox.add(1)
    async with bench.running():
        await until(lambda: bench.is_("ok"))
        await until(lambda: not bench.outbox.waiting)


@pytest.mark.slow
@pytest.mark.mosquitto
# The library (paho) leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket"
    ":pytest.PytestUnraisableExceptionWarning"
)
async def test_a_broker_with_another_certificate_is_not_trusted(
    encrypted: int, tmp_path: Path
) -> None:
    other, _ = make_certificate(tmp_path, "other")
    bench = Bench(encrypted, tls=TlsSettings(ca_file=other))
    async with bench.running():
        await until(lambda: bench.is_("away"))
    assert "its certificate is not trusted" in bench.states[0][1]


@pytest.mark.slow
@pytest.mark.mosquitto
@pytest.mark.filterwarnings(
    "ignore:Exception ignored in. <ssl.SSLSocket"
    ":pytest.PytestUnraisableExceptionWarning"
)
async def test_a_broker_whose_certificate_has_expired_is_not_spoken_to_until_it_has_another(
    tmp_path: Path,
) -> None:
    broker = KeepingBroker(tmp_path, is_encrypted=True)
    broker.set_up(certificate="expired")
    port = await broker.start()
    tls = TlsSettings(ca_file=tmp_path / "ca.crt")
    bench = Bench(port, user=USER, password=WORD, tls=tls)
    bench.outbox.add(1)
    try:
        async with bench.running():
            await until(lambda: bench.is_("away"))
            assert "its certificate is not trusted" in bench.states[0][1]
            assert "certificate has expired" in bench.states[0][1]
            assert bench.outbox.waiting
            broker.end(orderly=True)
            broker.set_up()
            await broker.start()
            await until(lambda: bench.is_("ok") and not bench.outbox.waiting)
    finally:
        await broker.stop()
    assert [state for state, _ in bench.states][-1] == "ok"


def test_a_file_without_certificates_is_refused_at_once(tmp_path: Path) -> None:
    rubbish = tmp_path / "ca.crt"
    rubbish.write_text("no certificate")
    with pytest.raises(InputError, match=r"ca\.crt: no certificates to be had"):
        Bench(1883, tls=TlsSettings(ca_file=rubbish))
    with pytest.raises(InputError, match="No such file"):
        Bench(1883, tls=TlsSettings(ca_file=tmp_path / "absent.crt"))
