"""Frozen models of `fleet.toml` and `sites/ID.toml`."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from ingest.sources import (
    BusSource,
    Identifier,
    RegisterSource,
    Source,
    Strict,
    WeatherServiceSource,
    check_zone,
    subjects_of,
)
from monitor.config.addresses import check_address, check_sender, one_line
from monitor.config.binding import Parts, bind, binding_faults
from monitor.config.handover import Handover
from monitor.cron import cron_trigger


def _host(text: str) -> str:
    if not re.fullmatch(r"[^\s/@]+", one_line(text)):
        raise ValueError("expected the name of a mail server such as mail.example.org")
    return text


def _cron(line: str) -> str:
    cron_trigger(line, UTC)
    return line


def _hours(text: str) -> str:
    match = re.fullmatch(r"(\d\d):(\d\d)-(\d\d):(\d\d)", text)
    if match is None or int(match[1]) > 23 or int(match[3]) > 24 or int(match[2]) > 59 or int(match[4]) > 59:
        raise ValueError("expected local hours such as 00:30-04:30")
    return text


Name = Annotated[str, Field(min_length=1, max_length=120), AfterValidator(one_line)]
EmailAddress = Annotated[str, AfterValidator(check_address)]
CronLine = Annotated[str, AfterValidator(_cron)]
ZoneName = Annotated[str, AfterValidator(check_zone)]
Positive = Annotated[float, Field(gt=0)]


class FleetSection(Strict):
    """[fleet]"""

    name: Name
    timezone: ZoneName
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] = "EUR"
    phone: Annotated[str, Field(pattern=r"^\+?[0-9][0-9 ()/.-]{2,30}$")] | None = None


class StoreSection(Strict):
    """[store]"""

    url: str = Field(default="sqlite:///aftercare.db", pattern=r"^(sqlite:///|postgresql(\+psycopg)?://).+")


class ScheduleSection(Strict):
    """[schedule]: five-field cron lines in the fleet's time zone."""

    ingest: CronLine = "*/15 * * * *"
    assess: CronLine = "30 2 * * *"
    service_digest: CronLine = "0 7 * * mon-fri"
    homeowner_digest: CronLine = "0 8 1 * *"


MAIL_PORTS = {"starttls": 587, "tls": 465, "none": 25}
LOCAL_HOSTS = ("localhost", "127.0.0.1", "::1")


class MailSection(Strict):
    """[mail]: the server that takes the digests, who sends them, and the service team."""

    host: Annotated[str, AfterValidator(_host)]
    security: Literal["starttls", "tls", "none"] = "starttls"
    port: int | None = Field(default=None, ge=1, le=65535)
    username: str | None = None
    password_env: str | None = None
    password_file: str | None = None
    sender: Annotated[str, AfterValidator(check_sender)]
    service_team: tuple[EmailAddress, ...] = ()
    empty_mornings: bool = True

    @property
    def server_port(self) -> int:
        """The port, or the usual one for the kind of security."""
        return self.port if self.port is not None else MAIL_PORTS[self.security]

    @model_validator(mode="after")
    def _check_login(self) -> MailSection:
        given = [key for key in ("password_env", "password_file") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError("password_env and password_file: expected only one of them")
        if given and self.username is None:
            raise ValueError(f"username: missing; expected this key beside {given[0]}")
        if self.username is not None and not given:
            raise ValueError("password_env or password_file: missing; expected one of them beside username")
        if given and self.security == "none" and self.host not in LOCAL_HOSTS:
            raise ValueError(
                "security = 'none': expected starttls or tls, because a password would cross the network unprotected"
            )
        return self


class BoardSection(Strict):
    """[board]: where the daemon writes the board."""

    folder: Annotated[str, Field(min_length=1), AfterValidator(one_line)]


class FleetFile(Strict):
    """fleet.toml"""

    fleet: FleetSection
    store: StoreSection = StoreSection()
    schedule: ScheduleSection = ScheduleSection()
    mail: MailSection | None = None
    board: BoardSection | None = None


class SiteSection(Strict):
    """[site]"""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,62}$")]
    name: Name
    latitude: float = Field(ge=-90, le=90)
    longitude: float = Field(ge=-180, le=180)
    altitude_m: float = Field(default=0.0, ge=-430, le=6000)
    timezone: ZoneName
    commissioned: date
    quoted_kwh_per_year: Positive | None = None
    export_limit_w: Positive | None = None
    homeowner_email: tuple[EmailAddress, ...] = ()


class Tariff(Strict):
    """[tariff]"""

    import_per_kwh: float = Field(ge=0)
    export_per_kwh: float = Field(default=0.0, ge=0)
    cheap_import_per_kwh: float | None = Field(default=None, ge=0)
    cheap_hours: tuple[Annotated[str, AfterValidator(_hours)], ...] = ()


class Plane(Strict):
    """[[plane]]: tilt from horizontal, azimuth clockwise from true north, both in degrees."""

    id: Identifier
    tilt_deg: float = Field(ge=0, le=90)
    azimuth_deg: float = Field(ge=0, lt=360)


class Inverter(Strict):
    """[[inverter]]"""

    id: Identifier
    rated_ac_w: Positive


class Module(Strict):
    """[string.module]: nameplate at standard test conditions."""

    pmp_w: Positive
    vmp_v: Positive
    imp_a: Positive
    voc_v: Positive
    isc_a: Positive
    gamma_pmp_pct_per_c: float = Field(ge=-1.0, le=0.0)


class String(Strict):
    """[[string]]"""

    id: Identifier
    inverter: str
    plane: str
    modules: int = Field(ge=1, le=60)
    module_electronics: bool = False
    module: Module

    @property
    def rated_w(self) -> float:
        """Nameplate DC power [W]."""
        return self.modules * self.module.pmp_w


class Meter(Strict):
    """[[meter]]"""

    id: Identifier
    role: Literal["generation", "grid"]
    inverter: str | None = None


class Battery(Strict):
    """[battery]"""

    usable_kwh: Positive
    rated_w: Positive


class Diverter(Strict):
    """[diverter]"""

    rated_w: Positive
    cylinder_litres: Positive


class Charger(Strict):
    """[charger]"""

    rated_w: Positive


class Site(Strict):
    """sites/ID.toml"""

    site: SiteSection
    tariff: Tariff | None = None
    plane: tuple[Plane, ...] = Field(min_length=1)
    inverter: tuple[Inverter, ...] = Field(min_length=1)
    string: tuple[String, ...] = Field(min_length=1)
    meter: tuple[Meter, ...] = ()
    battery: Battery | None = None
    diverter: Diverter | None = None
    charger: Charger | None = None
    handover: Handover | None = None
    source: tuple[Source, ...] = ()

    @field_validator("source")
    @classmethod
    def _bound(cls, sources: tuple[Source, ...], info: ValidationInfo) -> tuple[Source, ...]:
        """Sources of devices know whom they speak of; the parts they speak of stand above them in the file's order."""
        if not {"inverter", "string", "meter"} <= info.data.keys():
            return sources  # a mistake there is told already
        parts = _parts(info.data["inverter"], info.data["string"], info.data["meter"])
        return tuple(bind(source, parts) for source in sources)

    @property
    def id(self) -> str:
        """The site's id."""
        return self.site.id

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.site.timezone)

    @property
    def services(self) -> frozenset[str]:
        """Sources that tell of the place and not of the home: they go on whatever becomes of it."""
        return frozenset(source.id for source in self.source if isinstance(source, WeatherServiceSource))

    def plane_of(self, string: String) -> Plane:
        """The plane that a string lies on."""
        return next(p for p in self.plane if p.id == string.plane)

    def strings_of(self, inverter_id: str) -> tuple[String, ...]:
        """The strings wired to an inverter."""
        return tuple(s for s in self.string if s.inverter == inverter_id)

    @model_validator(mode="after")
    def _parts_fit(self) -> Site:
        faults = [*self._doubles(), *self._dangling(), *self._unknown_subjects(), *self._unbound()]
        if faults:
            raise ValueError("\n".join(faults))
        return self

    def _doubles(self) -> list[str]:
        parts: dict[str, tuple[Any, ...]] = {
            "plane": self.plane, "inverter": self.inverter, "string": self.string, "meter": self.meter,
            "source": self.source,
        }  # fmt: skip
        return [
            f"{kind}: id {one!r} is used twice; expected every id once"
            for kind, many in parts.items()
            for one in sorted({p.id for p in many if [q.id for q in many].count(p.id) > 1})
        ]

    def _dangling(self) -> list[str]:
        inverters, planes = {i.id for i in self.inverter}, {p.id for p in self.plane}
        faults = []
        for i, string in enumerate(self.string):
            if string.inverter not in inverters:
                faults.append(_unknown(f"string[{i}].inverter", string.inverter, inverters))
            if string.plane not in planes:
                faults.append(_unknown(f"string[{i}].plane", string.plane, planes))
        for i, meter in enumerate(self.meter):
            if meter.inverter is not None and meter.inverter not in inverters:
                faults.append(_unknown(f"meter[{i}].inverter", meter.inverter, inverters))
        return faults + (self.handover.faults({s.id for s in self.string}) if self.handover else [])

    def known_subjects(self) -> set[str]:
        """Every subject that readings of this site may have (modules numbered from 01)."""
        known = {"site"} | {f"inverter:{i.id}" for i in self.inverter} | {f"string:{s.id}" for s in self.string}
        known |= {f"meter:{m.id}" for m in self.meter} | {f"source:{s.id}" for s in self.source}
        known |= {f"module:{s.id}/{n:02d}" for s in self.string for n in range(1, s.modules + 1)}
        return known | {part for part in ("battery", "diverter", "charger") if getattr(self, part) is not None}

    def _unknown_subjects(self) -> list[str]:
        known = self.known_subjects()
        told = {k for k in known if not k.startswith(("module:", "source:"))}
        return [
            _unknown(f"source[{i}] ({source.id}): {'subjects' if _has_models(source) else 'of'}", of, told)
            for i, source in enumerate(self.source)
            for of in subjects_of(source)
            if of not in known
        ]

    def _unbound(self) -> list[str]:
        parts = _parts(self.inverter, self.string, self.meter)
        return [
            f"source[{i}] ({source.id}).{fault}"
            for i, source in enumerate(self.source)
            for fault in binding_faults(source, parts)
        ]


def _parts(inverters: tuple[Inverter, ...], strings: tuple[String, ...], meters: tuple[Meter, ...]) -> Parts:
    wired = {i.id: [s.id for s in strings if s.inverter == i.id] for i in inverters}
    return Parts(wired, {meter.id: meter.role for meter in meters})


def _has_models(source: Source) -> bool:
    return isinstance(source, RegisterSource | BusSource) and source.model is not None


def _unknown(where: str, given: str, known: set[str]) -> str:
    return f"{where} = {given!r}: expected one that this site has: {', '.join(sorted(known))}"


@dataclass(frozen=True, slots=True)
class Fleet:
    """A loaded fleet folder. `faults` are the mistakes of site files that were left out."""

    folder: Path
    settings: FleetFile
    sites: tuple[Site, ...]
    faults: tuple[str, ...] = ()

    @property
    def zone(self) -> ZoneInfo:
        """The fleet's time zone."""
        return ZoneInfo(self.settings.fleet.timezone)

    def site(self, site_id: str) -> Site:
        """A site by id; KeyError if there is none."""
        for site in self.sites:
            if site.id == site_id:
                return site
        raise KeyError(site_id)
