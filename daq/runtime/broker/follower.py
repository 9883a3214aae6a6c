"""Hears what benches tell a broker, for as long as it is wanted.

Knows no message: what arrives is passed on as it came, with what becomes of the connection. A broker that is lost is
dialled again for ever; only the first call must succeed, for a wrong name or password mends itself by no waiting.
"""

import asyncio
from collections.abc import Callable, Sequence

from daq.errors import NetworkError
from daq.runtime.broker.connection import (
    Access,
    Incoming,
    TlsSettings,
    connected,
    tls_context,
)

FIRST_DELAY_S = 0.25
LONGEST_DELAY_S = 2.0


class Follower:
    """Listens at one broker.

    Args:
        host: Name or address of the broker.
        port: TCP port.
        client_id: Must be unique at the broker.
        user: User name, where the broker wants one.
        password: Password of the user.
        tls: Settings for an encrypted connection; None: not encrypted.

    Raises:
        InputError: If the file with certificates is no good.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        client_id: str,
        user: str | None = None,
        password: str | None = None,
        tls: TlsSettings | None = None,
    ) -> None:
        self._access = Access(
            host=host,
            port=port,
            client_id=client_id,
            user=user,
            password=password,
            tls=tls_context(tls) if tls else None,
        )

    async def listen(
        self,
        filters: Sequence[str],
        *,
        on_message: Callable[[Incoming], None],
        on_state: Callable[[bool, str], None],
    ) -> None:
        """Pass on what arrives, across lost connections, until cancelled.

        Args:
            filters: Topics, with wildcards where wanted.
            on_message: Called for each message; must not wait.
            on_state: Told whether there is a connection, and why not.

        Raises:
            NetworkError: If the first connection is not to be had.
        """
        delay_s, was_connected = FIRST_DELAY_S, False
        while True:
            try:
                async with connected(self._access) as connection:
                    if not await connection.subscribe(filters):
                        msg = f"it does not let us hear {', '.join(filters)}"
                        raise NetworkError(msg)  # noqa: TRY301 - as any other loss
                    on_state(True, "connected")  # noqa: FBT003 - a callback's two values
                    delay_s, was_connected = FIRST_DELAY_S, True
                    await connection.listen(on_message)
            except NetworkError as exc:
                if not was_connected:
                    msg = f"broker {self._access.host}:{self._access.port}: {exc}"
                    raise NetworkError(msg) from exc
                on_state(False, str(exc))  # noqa: FBT003 - likewise
            await asyncio.sleep(delay_s)
            delay_s = min(2.0 * delay_s, LONGEST_DELAY_S)
