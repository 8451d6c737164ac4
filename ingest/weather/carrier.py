"""Carries requests to weather services: bounded in time and size, and silent about keys.

The functions of pvlib that ask services wait for ever, and take whatever comes. They are run with a `Carrier` in the
place of the library that they carry their requests with.
"""

from __future__ import annotations

import io
import re
import time
import zipfile
from collections.abc import Callable, Mapping
from email.utils import parsedate_to_datetime
from json import loads
from types import FunctionType
from typing import Any
from urllib.parse import urlsplit

import requests
from urllib3.exceptions import HTTPError as BrokenStream
from urllib3.exceptions import ReadTimeoutError

from ingest.errors import InputError

AGENT = "array-aftercare (home solar monitoring)"
MOST_BYTES = 20_000_000
_PIECE = 65_536
_TOLD = 200
_BUSY = frozenset({429, 502, 503, 504})


class ServiceBusy(InputError):
    """The service as a whole gives nothing now; `rest_s` is how long it wants to be left alone, if it said so."""

    def __init__(self, file: str, reason: str, rest_s: int | None = None) -> None:
        self.rest_s = rest_s
        super().__init__(file, reason)


class Answer:
    """A whole answer that is no refusal, as far as pvlib looks at one."""

    ok = True

    def __init__(self, content: bytes) -> None:
        self.content = content

    def json(self) -> Any:
        """The document in it; ValueError if there is none."""
        return loads(self.content)


Check = Callable[[bytes], str]  # what is wrong with an answer, "" if nothing is


def fine(_content: bytes) -> str:
    """Nothing is wrong with any answer."""
    return ""


class Carrier:
    """Stands for the `requests` library in functions of pvlib; raises InputError where that would raise its own."""

    exceptions = requests.exceptions
    HTTPError = requests.HTTPError

    def __init__(self, name: str, *, timeout_s: float, within_s: float, secret: str = "", check: Check = fine) -> None:
        self.scheme = ""  # to take in the place of an address's own
        self._name, self._timeout_s, self._secret, self._check = name, timeout_s, secret, check
        self._within_s, self._until = within_s, time.monotonic() + within_s

    def get(
        self,
        url: str,
        params: Mapping[str, Any] | None = None,
        headers: Mapping[str, str] | None = None,
        timeout: object = None,  # noqa: ARG002
    ) -> Answer:
        """What stands at an address; a redirect is not followed where a key would go along."""
        return self._send("GET", url, params=params, headers=headers, allow_redirects=headers is None)

    def post(
        self,
        url: str,
        json: object = None,
        headers: Mapping[str, str] | None = None,
        timeout: object = None,  # noqa: ARG002
    ) -> Answer:
        """What an address answers to a document."""
        return self._send("POST", url, json=json, headers=headers, allow_redirects=False)

    def _send(self, method: str, url: str, *, headers: Mapping[str, str] | None, **given: Any) -> Answer:
        if self.scheme:
            url = f"{self.scheme}:{url.partition(':')[2]}"
        host = urlsplit(url).netloc.rpartition("@")[2]
        with requests.Session() as session:
            session.headers["User-Agent"] = AGENT
            try:
                with session.request(
                    method, url, headers=headers, timeout=self._timeout_s, stream=True, **given
                ) as response:
                    content = self._content(response, host)
            except (requests.Timeout, ReadTimeoutError):
                raise self._busy(f"{host} gave no answer within {self._timeout_s:g} s") from None
            except BrokenStream:
                raise self._wrong(f"the answer of {host} broke off") from None
            except requests.ConnectionError as error:
                raise self._busy(f"{host} cannot be reached: {_cause(error)}") from None
            except (requests.RequestException, OSError) as error:  # whose words may hold the address with all its keys
                raise self._wrong(f"{host} could not be asked: {type(error).__name__}") from None
        self._look(response, host, content)
        return Answer(content)

    def _content(self, response: requests.Response, host: str) -> bytes:
        """The whole body; nobody may send for ever, neither much nor slowly."""
        parts: list[bytes] = []
        size = 0
        while True:
            # As much as came, so that one who sends a byte a second is found out.
            part = response.raw.read1(_PIECE, decode_content=True)
            if not part:
                return b"".join(parts)
            parts.append(part)
            size += len(part)
            if size > MOST_BYTES:
                raise self._wrong(f"the answer of {host} is larger than {MOST_BYTES // 1_000_000} MB")
            if time.monotonic() > self._until:
                raise self._busy(f"the answer of {host} was not whole within {self._within_s:g} s")

    def _look(self, response: requests.Response, host: str, content: bytes) -> None:
        """Raise if the answer is a refusal or cannot be what was asked for."""
        code = response.status_code
        if 300 <= code < 400:
            raise self._wrong(f"{host} sends on to another address (HTTP {code}); expected the service's own as url")
        if code in _BUSY:
            raise self._busy(f"{host} answers HTTP {code}: {self._words(content)}", _rest_s(response))
        if not 200 <= code < 300:
            raise self._wrong(f"{host} answers HTTP {code}: {self._words(content)}")
        trouble = _too_large(content) or self._check(content)
        if trouble:
            raise self._wrong(f"{trouble}; it begins {self._words(content[:_TOLD])!r}")

    def _words(self, content: bytes) -> str:
        """The beginning of a text in one line, without the key."""
        text = content[: 4 * _TOLD].decode("utf-8", "replace")
        if self._secret:
            text = _any_writing(self._secret).sub("...", text)
        line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
        return (line[:_TOLD] + " ..." if len(line) > _TOLD else line) or "nothing"

    def _wrong(self, reason: str) -> InputError:
        return InputError(self._name, reason)

    def _busy(self, reason: str, rest_s: int | None = None) -> ServiceBusy:
        return ServiceBusy(self._name, reason, rest_s)


def carried_by(carrier: Carrier, function: Callable[..., Any]) -> Callable[..., Any]:
    """A function of pvlib that makes its requests through the carrier; the library itself stays as it is."""
    assert isinstance(function, FunctionType)
    assert "requests" in function.__code__.co_names, f"{function.__name__} carries its requests in another way now"
    names = {**function.__globals__, "requests": carrier}
    copy = FunctionType(function.__code__, names, function.__name__, function.__defaults__, function.__closure__)
    copy.__kwdefaults__ = function.__kwdefaults__
    return copy


def _any_writing(secret: str) -> re.Pattern[str]:
    """The secret, each of its marks as it is or written with percent signs, once or more often."""
    forms = (f"(?:{re.escape(c)}|%(?:25)*{ord(c):02x})" for c in secret)
    return re.compile("".join(forms), re.IGNORECASE)


def _cause(error: BaseException) -> str:
    """What the system said of a connection that failed; the words of the libraries above it hold the address."""
    seen: BaseException | None = error
    while seen is not None:
        reason = next((arg for arg in seen.args if isinstance(arg, BaseException)), None)
        inner = seen.__cause__ or seen.__context__ or reason or getattr(seen, "reason", None)
        if isinstance(seen, OSError) and seen.strerror:
            return seen.strerror
        seen = inner if isinstance(inner, BaseException) else None
    return type(error).__name__


def _rest_s(response: requests.Response) -> int | None:
    """How long the service wants to be left alone: seconds, or a date counted from the answer's own."""
    told = response.headers.get("Retry-After", "").strip()
    if told.isdigit():
        return int(told[:9])
    try:
        wait = parsedate_to_datetime(told) - parsedate_to_datetime(response.headers.get("Date", ""))
    except (TypeError, ValueError):
        return None
    return max(0, int(wait.total_seconds()))


def _too_large(content: bytes) -> str:
    """An archive unpacks to no more than its list says."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            size = sum(entry.file_size for entry in archive.filelist)
    except zipfile.BadZipFile:
        return ""
    return f"the archive unpacks to {size} bytes" if size > MOST_BYTES else ""
