"""The embedded broker's own process; started by embedded.py, by path, never imported.

The only module that touches the carrier (iotcore), so that replacing it, say by a
Mosquitto of the system, changes this file alone. It shares nothing with the program
but three pipes: standard output carries the port, once it is chosen; standard error
what prevented the start; standard input is held open by the program for as long as the
broker is wanted.
"""

import os
import socket
import sys
import threading

import iotcore

_HOST = "127.0.0.1"
# The carrier's own limit, 20 kB, is below the description of a large bench.
_MAX_PAYLOAD_BYTES = 1_048_576


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def _end_with_the_program() -> None:
    sys.stdin.buffer.read()
    # The carrier has no way to be stopped from another thread, and nothing to save.
    os._exit(0)


def _fall_silent() -> None:
    """Point both outputs nowhere: the carrier reports every stray packet as an error."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.dup2(nowhere, sys.stderr.fileno())


def main() -> None:
    """Serve on a free port until the program goes away."""
    threading.Thread(target=_end_with_the_program, daemon=True).start()
    port = _free_port()
    broker = iotcore.Broker(
        port=port, listen=_HOST, max_payload_size=_MAX_PAYLOAD_BYTES
    )
    sys.stdout.write(f"{port}\n")
    sys.stdout.flush()
    _fall_silent()
    broker.run_forever()


if __name__ == "__main__":
    main()
