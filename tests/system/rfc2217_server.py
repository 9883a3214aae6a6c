"""A serial line behind the library's own RFC 2217 server: `python rfc2217_server.py DEVICE PORT`.

A process of its own, as a device server is. One client after another.
"""

import select
import socket
import sys

import serial
from serial import rfc2217


class _PseudoTerminal(serial.Serial):
    """A line without modem signals, for a pseudo-terminal has none and refuses to be asked."""

    cts = dsr = ri = cd = False

    def _update_dtr_state(self) -> None:
        pass

    def _update_rts_state(self) -> None:
        pass


class _Client:
    """What the server's protocol writes to."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection

    def write(self, data: bytes) -> None:
        self._connection.sendall(data)


def serve(line: serial.Serial, connection: socket.socket) -> None:
    """Carry bytes both ways until the client goes."""
    manager = rfc2217.PortManager(line, _Client(connection))  # type: ignore[arg-type] # any object with write() will do
    while True:
        ready, _, _ = select.select([line.fileno(), connection.fileno()], [], [])
        if line.fileno() in ready:
            data = line.read(line.in_waiting or 1)
            connection.sendall(b"".join(manager.escape(data)))
        if connection.fileno() in ready:
            data = connection.recv(4096)
            if not data:
                return
            line.write(b"".join(manager.filter(data)))


def main(device: str, port: int) -> None:
    with (
        _PseudoTerminal(device, timeout=0) as line,
        socket.create_server(("127.0.0.1", port)) as listener,
    ):
        while True:
            connection, _ = listener.accept()
            with connection:
                serve(line, connection)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
