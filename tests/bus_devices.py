"""Devices on the loopback interface: a real Modbus TCP server whose answers a test can spoil, and a raw socket."""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from types import TracebackType

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

Blocks = Mapping[int, Sequence[int]]  # words by their first address
LOOPBACK = "127.0.0.1"


class Device:
    """A server with the registers of some units; requests are written down as they came over the wire.

    `refusals` gives for an address the codes with which its next requests are refused; `spoil` may change the bytes
    of each answer, and none are sent where it gives none back; `delay_s` is waited before each answer.
    """

    def __init__(self, units: Mapping[int, Blocks]) -> None:
        self._units = units
        self.requests: list[bytes] = []
        self.connections = 0
        self.refusals: dict[int, list[int]] = {}
        self.spoil: Callable[[bytes], bytes] = lambda answer: answer
        self.delay_s = 0.0
        self.port = 0
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def __enter__(self) -> Device:
        self._thread.start()
        assert self._ready.wait(10)
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop).result(10)
        self._thread.join(10)
        assert not self._thread.is_alive()

    @property
    def functions(self) -> set[int]:
        """Function codes that were ever asked for."""
        return {request[7] for request in self.requests}

    def asked(self) -> list[tuple[int, int, int]]:
        """Unit, address and count of every request."""
        return [(r[6], int.from_bytes(r[8:10], "big"), int.from_bytes(r[10:12], "big")) for r in self.requests]

    async def _serve(self) -> None:
        devices = [
            SimDevice(
                unit,
                [SimData(at, values=list(words), datatype=DataType.REGISTERS) for at, words in sorted(blocks.items())],
                action=self._act,
            )
            for unit, blocks in self._units.items()
        ]
        self._server = ModbusTcpServer(
            devices, address=(LOOPBACK, 0), trace_packet=self._packet, trace_connect=self._connected
        )
        self._loop = asyncio.get_running_loop()
        await self._server.serve_forever(background=True)
        self.port = self._server.transport.sockets[0].getsockname()[1]
        self._ready.set()
        await self._server.serving

    async def _act(
        self, _code: int, _start: int, address: int, _count: int, _words: list[int], _new: object
    ) -> ExcCodes | None:
        if self.delay_s:
            await asyncio.sleep(self.delay_s)
        codes = self.refusals.get(address, [])
        return ExcCodes(codes.pop(0)) if codes else None

    def _packet(self, sending: bool, data: bytes) -> bytes:
        if sending:
            return self.spoil(data)
        self.requests.append(data)
        return data

    def _connected(self, connected: bool) -> None:
        self.connections += connected


class Raw:
    """A socket that answers every request with what `answer` makes of it: nothing is silence, None hangs up."""

    def __init__(self, answer: Callable[[bytes], bytes | None]) -> None:
        self._answer = answer
        self._listener = socket.create_server((LOOPBACK, 0))
        self.port: int = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._listen)]

    def __enter__(self) -> Raw:
        self._threads[0].start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        for one in (self._listener, *self._open):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        for thread in self._threads:
            thread.join(10)

    def _listen(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._open.append(connection)
            self._threads.append(threading.Thread(target=self._talk, args=[connection]))
            self._threads[-1].start()

    def _talk(self, connection: socket.socket) -> None:
        with connection:
            try:
                while request := connection.recv(4096):
                    answer = self._answer(request)
                    if answer is None:
                        return
                    connection.sendall(answer)
            except OSError:
                return


def closed_port() -> int:
    """A port that nobody listens on."""
    with socket.create_server((LOOPBACK, 0)) as listener:
        port: int = listener.getsockname()[1]
    return port


def sunspec_words(
    *, power_w: int, energy_wh: int, power_scale: int = 0, before: Sequence[int] = (), marker: bool = True
) -> list[int]:
    """A chain of the common model, perhaps another block, and a three-phase inverter (model 103), with its end block.

    Offsets by the SunSpec information models; what is not set is not implemented.
    """
    inverter = [0xFFFF] * 50
    for offset, word in {
        14: power_w, 15: power_scale & 0xFFFF, 24: energy_wh >> 16, 25: energy_wh & 0xFFFF, 26: 0, 38: 4,
    }.items():  # fmt: skip
        inverter[offset - 2] = word
    for scale in (6, 13, 17, 19, 21, 23, 28, 30, 32, 37):
        inverter[scale - 2] = 0x8000
    inverter[31 - 2] = 0x8000  # DCW, signed
    common = [1, 66, *([0] * 66)]
    return [*((0x5375, 0x6E53) if marker else ()), *common, *before, 103, 50, *inverter, 0xFFFF, 0]
