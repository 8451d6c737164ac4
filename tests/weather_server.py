"""A weather service on the loopback interface: invented weather in the forms of the real services, spoilt at will."""

from __future__ import annotations

import io
import json
import math
import threading
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from urllib.parse import parse_qs, urlsplit

LOOPBACK = "127.0.0.1"
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Asked:
    """A request as it came."""

    method: str
    path: str
    query: Mapping[str, str]
    headers: Mapping[str, str]
    body: bytes = b""


@dataclass(frozen=True)
class Reply:
    """What is sent back; `pause_s` is waited before it, and before every byte of it where `drips`."""

    body: bytes
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    pause_s: float = 0.0
    drips: bool = False
    breaks_off: bool = False


Respond = Callable[[Asked], Reply]


class WeatherServer:
    """A server that answers by a function, which may be changed; requests are written down."""

    def __init__(self, respond: Respond) -> None:
        self.respond = respond
        self.asked: list[Asked] = []
        self.at_once = 0  # requests at the same time, at most
        self._now = 0
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._server = ThreadingHTTPServer((LOOPBACK, 0), self._handler())
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})

    @property
    def url(self) -> str:
        """Where it is asked."""
        return f"http://{LOOPBACK}:{self._server.server_address[1]}"

    def __enter__(self) -> WeatherServer:
        self._thread.start()
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self._stop.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        server = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                length = int(self.headers.get("Content-Length", "0"))
                parts = urlsplit(self.path)
                query = {key: values[-1] for key, values in parse_qs(parts.query).items()}
                server._answer(
                    self, Asked(self.command, parts.path, query, dict(self.headers), self.rfile.read(length))
                )

            do_POST = do_GET

            def log_message(self, *_: object) -> None:
                pass

        return Handler

    def _answer(self, handler: BaseHTTPRequestHandler, asked: Asked) -> None:
        with self._lock:
            self.asked.append(asked)
            self._now += 1
            self.at_once = max(self.at_once, self._now)
        try:
            self._send(handler, self.respond(asked))
        except OSError:  # nobody listens any more
            pass
        finally:
            with self._lock:
                self._now -= 1

    def _send(self, handler: BaseHTTPRequestHandler, reply: Reply) -> None:
        self._stop.wait(reply.pause_s)
        handler.send_response(reply.status)
        for name, value in reply.headers.items():
            handler.send_header(name, value)
        handler.send_header("Content-Length", str(len(reply.body) * (2 if reply.breaks_off else 1)))
        handler.end_headers()
        for part in [reply.body[i : i + 1] for i in range(len(reply.body))] if reply.drips else [reply.body]:
            if self._stop.is_set():
                return
            handler.wfile.write(part)
            handler.wfile.flush()
            if reply.drips:
                self._stop.wait(reply.pause_s)


def irradiance(at: datetime, longitude: float) -> float:
    """Invented mean of the hour that begins at an instant: a bell around the place's own noon [W/m2]."""
    noon = 12.0 - longitude / 15.0
    middle = at.hour + at.minute / 60.0 + 0.5
    distance = (middle - noon + 12.0) % 24.0 - 12.0
    return round(max(0.0, 700.0 * math.cos(distance * math.pi / 14.0)), 2) if abs(distance) < 7 else 0.0


def hours(first: str, last: str, form: str) -> list[datetime]:
    """The starts of the hours of some days, both included."""
    begin, end = (datetime.strptime(day, form).replace(tzinfo=UTC) for day in (first, last))
    return [begin + n * HOUR for n in range(24 * ((end - begin).days + 1))]


def power_document(asked: Asked, *, published_until: datetime | None = None) -> dict[str, object]:
    """What NASA POWER answers: a number for each hour, and -999 for those that are not there yet."""
    latitude, longitude = float(asked.query["latitude"]), float(asked.query["longitude"])
    starts = hours(asked.query["start"], asked.query["end"], "%Y%m%d")

    def series(value: Callable[[datetime], float]) -> dict[str, float]:
        return {
            f"{at:%Y%m%d%H}": -999.0 if published_until is not None and at >= published_until else value(at)
            for at in starts
        }

    values = {
        "ALLSKY_SFC_SW_DNI": series(lambda at: 0.5 * irradiance(at, longitude)),
        "ALLSKY_SFC_SW_DIFF": series(lambda at: 0.25 * irradiance(at, longitude)),
        "ALLSKY_SFC_SW_DWN": series(lambda at: irradiance(at, longitude)),
        "T2M": series(lambda at: 10.0 + 0.5 * at.hour),
        "WS10M": series(lambda at: 3.25),
    }
    units = dict.fromkeys(values, "Wh/m^2") | {"T2M": "C", "WS10M": "m/s"}
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [longitude, latitude, 71.5]},
        "properties": {"parameter": values},
        "header": {
            "title": "NASA/POWER Source Native Resolution Hourly Data",
            "api": {"version": "v2.5.22", "name": "POWER Hourly API"},
            "sources": ["SYN1DEG", "FLASHFLUX", "MERRA2"],
            "fill_value": -999.0,
            "time_standard": "UTC",
            "start": asked.query["start"],
            "end": asked.query["end"],
        },
        "messages": [],
        "parameters": {name: {"units": unit, "longname": name} for name, unit in units.items()},
        "times": {"data": 0.3, "process": 0.02},
    }


def power(asked: Asked) -> Reply:
    """NASA POWER on a good day."""
    return Reply(json.dumps(power_document(asked)).encode())


def cams_inputs(asked: Asked) -> dict[str, str]:
    """What CAMS is asked for."""
    return dict(part.split("=", 1) for part in asked.query["DataInputs"].split(";"))


def cams_text(asked: Asked, *, unreliable: int | None = None) -> str:
    """What CAMS answers: the energies of each interval [Wh/m2]; one of a UTC hour may rest on too few images."""
    given = cams_inputs(asked)
    minutes = {"PT15M": 15, "PT01H": 60}[given["summarization"]]
    longitude = float(given["longitude"])
    rows = []
    for hour in hours(given["date_begin"], given["date_end"], "%Y-%m-%d"):
        for at in (hour + timedelta(minutes=m) for m in range(0, 60, minutes)):
            span = f"{at:%Y-%m-%dT%H:%M}:00.0/{at + timedelta(minutes=minutes):%Y-%m-%dT%H:%M}:00.0"
            wh = irradiance(hour, longitude) * minutes / 60.0
            trust = 0.2 if at.hour == unreliable else 1.0
            rows.append(f"{span};900;800;600;200;700;{wh};{0.75 * wh};{0.25 * wh};{0.5 * wh};{trust}")
    return "\n".join(
        [
            "# Coding: utf-8",
            "# Title: CAMS Radiation Service v4.6 all-sky irradiation (derived from satellite data)",
            f"# Latitude (positive North, ISO 19115): {float(given['latitude']):.4f}",
            f"# Longitude (positive East, ISO 19115): {longitude:.4f}",
            "# Altitude (m): 71.00",
            "# Time reference: Universal time (UT)",
            f"# Summarization (integration) period: 0 year 0 month 0 day {minutes // 60} h {minutes % 60} min 0 s",
            "# noValue: nan",
            "# Observation period;TOA;Clear sky GHI;Clear sky BHI;Clear sky DHI;Clear sky BNI;GHI;BHI;DHI;BNI;"
            "Reliability",
            *rows,
            "",
        ]
    )


def cams(asked: Asked) -> Reply:
    """CAMS on a good day."""
    return Reply(cams_text(asked).encode())


class Store5:
    """ERA5 at its store: a request is taken, waited for, and its data fetched from another place."""

    def __init__(self) -> None:
        self.url = ""
        self.inputs: dict[str, object] = {}
        self.status = "successful"

    def __call__(self, asked: Asked) -> Reply:
        """Answer by the step that is asked for."""
        if asked.method == "POST":
            self.inputs = json.loads(asked.body)["inputs"]
            return Reply(json.dumps({"jobID": "job-1", "status": "accepted", "metadata": {"messages": []}}).encode())
        if asked.path.endswith("/jobs/job-1"):
            return Reply(json.dumps({"status": self.status}).encode())
        if asked.path.endswith("/results"):
            return Reply(json.dumps({"asset": {"value": {"href": f"{self.url}/files/series.zip"}}}).encode())
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            archive.writestr("series.csv", self.csv())
        return Reply(packed.getvalue())

    def csv(self) -> str:
        """Hours by their end: joules of the hour, kelvins and metres a second of the instant."""
        location = self.inputs["location"]
        assert isinstance(location, dict)
        (dates,) = self.inputs["date"]  # type: ignore[misc]
        first, last = str(dates).split("/")
        lines = ["valid_time,ssrd,fdir,t2m,u10,v10,latitude,longitude"]
        for at in hours(first, last, "%Y-%m-%d"):
            sun = 3600.0 * irradiance(at - HOUR, location["longitude"])
            place = f"{location['latitude']:.2f},{location['longitude']:.2f}"
            lines.append(f"{at:%Y-%m-%d %H:%M:%S},{sun},{0.75 * sun},{273.15 + at.hour},3.0,4.0,{place}")
        return "\n".join(lines) + "\n"
