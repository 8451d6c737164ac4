"""One connection to a Modbus TCP device: registers are asked for, every answer is checked, nothing is ever written."""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Callable
from types import TracebackType
from typing import Literal

import numpy as np
import numpy.typing as npt
from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException, ModbusIOException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.register_message import ReadHoldingRegistersResponse, ReadInputRegistersResponse

from ingest.errors import InputError

Words = npt.NDArray[np.uint16]

MOST_WORDS = 125  # of one request, by the protocol
FUNCTIONS = {"holding": 3, "input": 4}
# Exception codes of the Modbus application protocol, section 7.
_REFUSALS = {
    1: "it does not offer this function",
    2: "it has no such register",
    3: "it does not take such a request",
    4: "it failed while reading",
    5: "it needs longer for this",
    6: "it is busy",
    8: "its memory is damaged",
    10: "the gateway finds no way to it",
    11: "the gateway got no answer from it",
}
_PASSING = frozenset({4, 5, 6, 10, 11})  # the same request may do a moment later
_LONGEST_PAUSE_S = 5.0
_HEADER = 7  # bytes before the function code: transaction, protocol, length, unit

# What goes wrong is told by our own sentences; the library's lines would hold readings.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


class Refused(InputError):
    """The device answered that it will not or cannot; `code` says why."""

    def __init__(self, file: str, reason: str, code: int) -> None:
        super().__init__(file, reason)
        self.code = code


class Unanswered(InputError):
    """No answer came that can be trusted."""


class Unreachable(Unanswered):
    """There is not even a connection."""


class _StrictHolding(ReadHoldingRegistersResponse):
    """The library takes a wrong byte count; a word made of the wrong bytes would look like a reading."""

    def decode(self, data: bytes) -> None:
        """Take the words if they are as many as the count says."""
        _check_byte_count(data)
        super().decode(data)


class _StrictInput(ReadInputRegistersResponse):
    """As for holding registers."""

    def decode(self, data: bytes) -> None:
        """Take the words if they are as many as the count says."""
        _check_byte_count(data)
        super().decode(data)


def _check_byte_count(data: bytes) -> None:
    if not data or data[0] != len(data) - 1 or data[0] % 2:
        raise ModbusIOException("the byte count is not that of the words")


class Line:
    """A connection, opened by the first request and anew after an answer that cannot be trusted.

    No request is begun after `until` [s of the monotonic clock].
    """

    def __init__(
        self, host: str, port: int, *, function: Literal["holding", "input"], timeout_s: float, retries: int,
        until: float,
    ) -> None:  # fmt: skip
        self.name = name_of(host, port)
        self._place, self._function = (host, port), FUNCTIONS[function]
        self._timeout_s, self._retries, self._until = timeout_s, retries, until
        self._client: ModbusTcpClient | None = None
        self._sent = self._seen = self._last = b""

    def __enter__(self) -> Line:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        if self._client is not None:
            self._client.close()  # type: ignore[no-untyped-call]
            self._client = None

    def read(self, unit: int, address: int, count: int) -> Words:
        """The words of `count` registers; Refused or Unanswered when they do not come after all retries."""
        tries = self._retries + 1
        for one in range(tries):
            try:
                if one:
                    time.sleep(min(self._timeout_s / 4 * 2 ** (one - 1), _LONGEST_PAUSE_S))
                return self._ask(unit, address, count)
            except Refused as error:
                if error.code not in _PASSING or one + 1 == tries:
                    raise
            except Unanswered:
                self.close()  # what comes late must not be taken for the next answer
                if one + 1 == tries or time.monotonic() >= self._until:
                    raise
        raise AssertionError("the last try returns or raises")

    def _ask(self, unit: int, address: int, count: int) -> Words:
        if time.monotonic() >= self._until:
            raise Unanswered(self.name, "the time for this poll was over before all was read")
        client = self._open()
        self._sent = self._seen = self._last = b""
        ask: Callable[..., ModbusPDU] = (
            client.read_holding_registers if self._function == 3 else client.read_input_registers
        )
        where = f"unit {unit}, {registers(address, count)}"
        try:
            reply = ask(address, count=count, device_id=unit)
        except ConnectionException:
            raise Unanswered(self.name, f"{where}: it hung up without an answer") from None
        except OSError as error:
            raise Unanswered(self.name, f"{where}: the connection broke: {_why(error)}") from None
        except ModbusException:
            found = _what_came(self._seen, self._sent, count, self._timeout_s)
            raise Unanswered(self.name, f"{where}: {found}") from None
        if reply.function_code == self._function | 0x80:
            told = _REFUSALS.get(reply.exception_code, "for a reason that the protocol does not know")
            reason = f"{where}: refused with exception {reply.exception_code}: {told}"
            raise Refused(self.name, reason, reply.exception_code)
        if reply.function_code != self._function:
            found = f"found an answer to function {reply.function_code & 0x7F}; expected {self._function}"
            raise Unanswered(self.name, f"{where}: {found}")
        if len(reply.registers) != count:
            raise Unanswered(self.name, f"{where}: found {len(reply.registers)} words; expected {count}")
        if (beyond := _bytes_beyond(self._last)) != 0:
            raise Unanswered(self.name, f"{where}: found an answer with {beyond} bytes beyond its end; expected none")
        return np.array(reply.registers, np.uint16)

    def _open(self) -> ModbusTcpClient:
        if self._client is not None:
            return self._client
        host, port = self._place
        try:
            channel = socket.create_connection(self._place, timeout=self._timeout_s)
        except (OSError, UnicodeError) as error:
            raise Unreachable(self.name, f"cannot be reached: {_why(error)}") from None
        # One try a request: a retry of the library's could take the late answer to the first for the second's.
        client = ModbusTcpClient(host, port=port, timeout=self._timeout_s, retries=0, trace_packet=self._note)
        client.socket = channel  # its own connect would not say why it failed
        client.register(_StrictHolding if self._function == 3 else _StrictInput)
        self._client = client
        return client

    def _note(self, sending: bool, data: bytes) -> bytes:
        if sending:
            self._sent = data
        else:
            self._last = data
            self._seen = max(self._seen, data, key=len)
        return data


def name_of(host: str, port: int) -> str:
    """How a person writes where a device is reached."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def registers(address: int, count: int) -> str:
    """How a person reads a range of registers."""
    return f"register {address}" if count == 1 else f"registers {address} to {address + count - 1}"


def _why(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return "no connection in time"
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _bytes_beyond(data: bytes) -> int:
    """How many bytes stand behind the last whole frame."""
    end = 0
    while len(data) - end > _HEADER and (after := end + 6 + int.from_bytes(data[end + 4 : end + 6], "big")) <= len(
        data
    ):
        end = after
    return len(data) - end


def _what_came(seen: bytes, sent: bytes, count: int, timeout_s: float) -> str:
    """What is wrong with the first answer that came, in words; `sent` is the request."""
    if not seen:
        return f"no answer within {timeout_s:g} s"
    if len(seen) <= _HEADER or seen[2:4] != b"\0\0":
        return f"found {len(seen)} bytes that are no Modbus TCP answer"
    if seen[6] != sent[6]:
        return f"found an answer of unit {seen[6]}; expected one of unit {sent[6]}"
    if seen[:2] != sent[:2]:
        found, expected = (int.from_bytes(frame[:2], "big") for frame in (seen, sent))
        return f"found an answer to another request (transaction {found}); expected {expected}"
    length = int.from_bytes(seen[4:6], "big") + 6
    if len(seen) < length:
        return f"found an answer that breaks off after {len(seen)} of {length} bytes"
    code, told, held = seen[_HEADER], seen[_HEADER + 1 : length][:1], max(length - _HEADER - 2, 0)
    if code == sent[_HEADER]:
        count_told = f"{told[0]} bytes" if told else "no byte"
        return f"found an answer that tells of {count_told} and holds {held}; expected {2 * count}"
    if code == sent[_HEADER] | 0x80:
        return "found a refusal without a reason"
    return f"found an answer to function {code & 0x7F}; expected {sent[_HEADER]}"
