"""The tables, each with what it holds, so that other programs can read the store.

Instants are whole seconds since 1970-01-01 UTC, UTC days are whole days since 1970-01-01, and a `Date` is a local day
of the site. A migration in `migrations/versions` stands behind every change here.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
)

# Every revision that this program knows, oldest first; the last one is what it works with.
REVISIONS = ("0001", "0002", "0003", "0004", "0005", "0006", "0007")

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

source = Table(
    "source",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), nullable=False, comment="id of the site file"),
    Column("name", String(64), nullable=False, comment="id of the source in the site file"),
    UniqueConstraint("site", "name"),
    comment="where readings come from: one [[source]] of a site file",
)

channel = Table(
    "channel",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("source_id", ForeignKey("source.id", ondelete="CASCADE"), nullable=False),
    Column("subject", String(160), nullable=False, comment="site, inverter:ID, string:ID, meter:ID, ..."),
    Column("quantity", String(32), nullable=False),
    Column("reads", String(16), nullable=False, comment="mean, interval or counter"),
    Column("unit", String(16), nullable=False, comment="unit of the values as recorded"),
    UniqueConstraint("source_id", "subject", "quantity", "reads", "unit"),
    comment="the columns that a source ever had readings in",
)

block = Table(
    "block",
    metadata,
    Column("source_id", ForeignKey("source.id", ondelete="CASCADE"), primary_key=True),
    Column("day", Integer, primary_key=True, autoincrement=False, comment="UTC day, days since 1970-01-01"),
    Column("n", Integer, nullable=False, comment="readings in the block, gaps left out"),
    Column("data", LargeBinary, nullable=False, comment="the readings, packed as monitor/store/blocks.py says"),
    comment="the readings of one source and one UTC day",
)

changed_day = Table(
    "changed_day",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("day", Integer, primary_key=True, autoincrement=False, comment="UTC day, days since 1970-01-01"),
    Column("changed_at", BigInteger, nullable=False, comment="instant of the last change"),
    comment="days whose readings changed and that wait to be assessed (again)",
)

ledger = Table(
    "ledger",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), nullable=False),
    Column("source", String(64), nullable=False),
    Column("path", Text, nullable=False, comment="where the file was found, relative to the fleet folder"),
    Column("sha256", String(64), nullable=False, comment="hash of the content that was read"),
    Column("size", BigInteger, nullable=False, comment="bytes"),
    Column("taken_at", BigInteger, nullable=False, comment="instant of reading"),
    Column("config_hash", String(64), nullable=False, comment="hash of the source's settings it was read with"),
    Column("rows", Integer, nullable=False, comment="data rows in the file"),
    Column("readings_new", Integer, nullable=False),
    Column("readings_same", Integer, nullable=False),
    Column("conflicts", Integer, nullable=False, comment="readings that replaced another value"),
    Column("rejects", Integer, nullable=False, comment="pieces of input set aside"),
    Column("state", String(16), nullable=False, comment="taken or refused"),
    Column("reason", Text, nullable=False, comment="why the file was refused, else empty"),
    Column(
        "read_again_at", BigInteger, comment="instant from which a part that lay in the future is taken; null: none"
    ),
    UniqueConstraint("site", "source", "sha256", "config_hash"),
    Index(None, "site", "source", "path"),
    comment="every file content that was read, once for each settings it was read with",
)

sighting = Table(
    "sighting",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("source", String(64), primary_key=True),
    Column("path", Text, primary_key=True, comment="relative to the fleet folder"),
    Column("sha256", String(64), nullable=False, comment="hash of the content found there"),
    Column("config_hash", String(64), nullable=False, comment="hash of the settings it was read with"),
    Column("stamp", String(128), comment="size, times and inode of the file then; null: it may change unnoticed"),
    comment="what lay where at the last look, so that an unchanged file need not be opened",
)

reject = Table(
    "reject",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("ledger_id", ForeignKey("ledger.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("member", Text, comment="file of an archive; null: the file itself"),
    Column("line", Integer, comment="1-based line of the file; null: the whole file"),
    Column("field", Text, nullable=False, comment="column of the file, or empty"),
    Column("text", Text, nullable=False, comment="what was found, shortened"),
    Column("reason", Text, nullable=False),
    comment="input set aside by the last reading of a file",
)

daily = Table(
    "daily",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True, comment="local day"),
    Column("subject", String(160), primary_key=True),
    Column("measured_kwh", Float),
    Column("expected_kwh", Float),
    Column("expected_low_kwh", Float),
    Column("expected_high_kwh", Float),
    Column("irradiation_source", String(16), comment="sensor, weather, neighbours or clear_sky"),
    Column("availability", Float, comment="0 to 1"),
    Column("performance_ratio", Float),
    Column("usable", Float, nullable=False, comment="share of the day's expectation that can be judged, 0 to 1"),
    Column("features", JSON, nullable=False, comment="further figures of the day that detectors work on"),
    comment="energy of a subject and a local day, measured and expected",
)

memory = Table(
    "memory",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("part", Integer, primary_key=True, autoincrement=False, comment="local days, a hundred to a part"),
    Column("until", Date, nullable=False, comment="last local day that went into it"),
    Column("first", Boolean, nullable=False, comment="whether no night before this part left anything"),
    Column("data", LargeBinary, nullable=False, comment="as monitor/nightly/memory.py packs it"),
    comment="the daily rows once more, packed for the next night; may be deleted at any time",
)

baseline = Table(
    "baseline",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("subject", String(160), primary_key=True),
    Column("epoch", Integer, primary_key=True, autoincrement=False, comment="counts up with each new start"),
    Column("frozen_on", Date, comment="local day it was settled; null: still learning"),
    Column("learned_from", Date, nullable=False),
    Column("learned_until", Date, nullable=False, comment="last local day that went into it"),
    Column("values", JSON, nullable=False),
    comment="as-installed behaviour of a subject",
)

day_looks = Table(
    "day_looks",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("day", Date, primary_key=True, comment="local day"),
    Column("data", LargeBinary, nullable=False, comment="looks of all subjects, as monitor/store/skies.py says"),
    comment="how much of the sun's beam came through to each subject, by its place in the sky",
)

sky_map = Table(
    "sky_map",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("subject", String(160), primary_key=True),
    Column("epoch", Integer, primary_key=True, autoincrement=False, comment="counts up with each new start"),
    Column("learned_until", Date, primary_key=True, comment="last local day that went into it"),
    Column("data", LargeBinary, nullable=False, comment="the map, as monitor/store/skies.py says"),
    comment="what stands before the sky of a subject, as installed; every version that nights went by",
)

finding = Table(
    "finding",
    metadata,
    Column("id", String(255), primary_key=True),
    Column("site", String(64), nullable=False, index=True),
    Column("subject", String(160), nullable=False),
    Column("cause", String(64), nullable=False),
    Column("level", String(16), nullable=False, comment="urgent, visit, watch or note"),
    Column("state", String(16), nullable=False, comment="open or cleared"),
    Column("since", Date, nullable=False, comment="estimated first local day of the trouble"),
    Column("raised", Date, nullable=False, comment="local day whose assessment first reported it"),
    Column("cleared", Date, comment="local day whose assessment closed it"),
    Column("last_seen", Date, nullable=False, comment="last local day on which it showed"),
    Column("confidence", Float, nullable=False, comment="0 to 1"),
    Column("lost_kwh", Float, nullable=False),
    Column("lost_kwh_low", Float, nullable=False),
    Column("lost_kwh_high", Float, nullable=False),
    Column("lost_money", Float, comment="in the fleet's currency; null without a tariff"),
    Column("summary", Text, nullable=False),
    Column("evidence", JSON, nullable=False),
    Column("advice", JSON, nullable=False, comment="text by reader: service, homeowner"),
    comment="troubles and notes",
)

finding_event = Table(
    "finding_event",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("finding_id", ForeignKey("finding.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("night", Date, nullable=False, comment="local day whose assessment did it"),
    Column("what", String(32), nullable=False),
    Column("detail", JSON, nullable=False, comment="finding: the whole finding as that night left it"),
    comment="the history of each finding",
)

ruling = Table(
    "ruling",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("finding_id", String(255), primary_key=True, comment="no foreign key: it outlives what a replay deletes"),
    Column("day", Date, primary_key=True, comment="local day for which it holds"),
    Column("said", String(16), nullable=False, comment="confirmed, not-a-fault or repaired"),
    Column("note", Text, nullable=False),
    Column("subject", String(160), nullable=False, comment="of the finding"),
    Column("cause", String(64), nullable=False, comment="of the finding"),
    Column("raised", Date, nullable=False, comment="of the finding"),
    Column("renews", JSON, nullable=False, comment="subjects that begin anew with the day after"),
    Column("given_at", BigInteger, nullable=False, comment="instant"),
    Column("nights_until", Date, comment="last local day assessed when it was given; null: none"),
    comment="what engineers said of findings",
)

loss = Table(
    "loss",
    metadata,
    Column("finding_id", ForeignKey("finding.id", ondelete="CASCADE"), primary_key=True),
    Column("day", Date, primary_key=True, comment="local day"),
    Column("night", Date, primary_key=True, comment="local day whose assessment counted it; the latest one holds"),
    Column("lost_kwh", Float, nullable=False),
    Column("low", Float, nullable=False, comment="kWh"),
    Column("high", Float, nullable=False, comment="kWh"),
    comment="what a finding cost, day by day",
)

assessed = Table(
    "assessed",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("day", Date, nullable=False),
    comment="last local day of each site whose night was assessed",
)

job_run = Table(
    "job_run",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("job", String(32), nullable=False),
    Column("started_at", BigInteger, nullable=False),
    Column("finished_at", BigInteger, comment="null: running, or cut short"),
    Column("ok", Boolean, comment="null: not finished"),
    Column("message", Text, nullable=False),
    Index(None, "job", "started_at"),
    comment="runs of the daemon's jobs",
)

job_plan = Table(
    "job_plan",
    metadata,
    Column("job", String(32), primary_key=True),
    Column("next_at", BigInteger, nullable=False),
    comment="when each job runs next",
)

poll_state = Table(
    "poll_state",
    metadata,
    Column("site", String(64), primary_key=True),
    Column("source", String(64), primary_key=True),
    Column("last_try_at", BigInteger, nullable=False, comment="instant of the last poll"),
    Column("last_ok_at", BigInteger, comment="instant of the last poll that gave readings; null: none yet"),
    Column("failures", Integer, nullable=False, comment="polls without any reading since then"),
    Column("trouble", Text, nullable=False, comment="what was wrong at the last poll, else empty"),
    comment="how the polling of each device stands",
)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(16), nullable=False, comment="service or homeowner"),
    Column("about", String(64), nullable=False, comment="site, or fleet"),
    Column("period", String(10), nullable=False, comment="day or month that the digest tells of"),
    Column("recipient", String(320), nullable=False, comment="one address"),
    Column("sender", String(320), nullable=False, comment="address that the message comes from"),
    Column("message_id", String(998), nullable=False, comment="settled when it was queued, the same at every try"),
    Column("message", LargeBinary, comment="as it goes over the wire; null: sent"),
    Column("state", String(16), nullable=False, comment="waiting, sent, refused or given_up"),
    Column("queued_at", BigInteger, nullable=False, comment="instant"),
    Column("tries", Integer, nullable=False),
    Column("next_try_at", BigInteger, nullable=False, comment="instant before which it rests"),
    Column("claimed_until", BigInteger, comment="instant until which one sender works on it; null: nobody does"),
    Column("settled_at", BigInteger, comment="instant it was sent, refused or given up; null: waiting"),
    Column("trouble", Text, nullable=False, comment="what came of the last try that failed, else empty"),
    UniqueConstraint("kind", "about", "period", "recipient"),
    Index(None, "state", "next_try_at"),
    comment="digests on their way by mail, a row a recipient; what is sent stays, so that nothing is sent again",
)

heartbeat = Table(
    "heartbeat",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=False, comment="always 1"),
    Column("at", BigInteger, nullable=False, comment="instant of the daemon's last sign of life"),
    Column("pid", Integer, nullable=False),
    comment="one row: the daemon is alive",
)
