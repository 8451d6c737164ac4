"""Cost of a homeowner's digest with its picture, beside the plain way with pyplot and a template compiled each time.

    python -m tests.benchmarks.digests [--times 20]

Both start from the same digest data; the program's goes all the way to the bytes of a message.
"""

from __future__ import annotations

import argparse
import io
import math
import statistics
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import matplotlib as mpl
from jinja2 import Environment

from monitor.report import facts, templating
from monitor.report.digest import DailyEnergy, Edition, HomeownerDigest, Month
from monitor.report.message import compose
from monitor.report.render import render
from monitor.report.words import month_words

SENDER = "Northmoor Roofs <aftercare@example.org>"


def august() -> HomeownerDigest:
    """A month of a healthy roof."""
    first = date(2026, 8, 1)
    made = tuple(round(18.0 + 12.0 * math.sin(1.7 * n), 1) for n in range(31))
    due = tuple(1.03 * kwh for kwh in made)
    return HomeownerDigest(
        edition=Edition(
            kind="homeowner", about="larkrise", period="2026-08", written=datetime(2026, 9, 1, 8, tzinfo=UTC)
        ),
        firm="Northmoor Roof Energy",
        site="Larkrise Cottage",
        first=first,
        daily=DailyEnergy(
            days=tuple(first + timedelta(days=n) for n in range(31)), measured=made, expected=due,
            low=tuple(0.95 * kwh for kwh in due), high=tuple(1.05 * kwh for kwh in due), whole=(True,) * 31,
        ),
        total=Month(
            measured=sum(made), days_with_data=31, compared=sum(made), expected=sum(due), low=0.97 * sum(due),
            high=1.03 * sum(due), days_compared=31, is_rough=False,
        ),
        last_heard=date(2026, 8, 31), year=None, health="Your roof has been working as it should.", matters=(),
        contact="service@example.org",
    )  # fmt: skip


def ours(digest: HomeownerDigest) -> bytes:
    """Data to message."""
    return compose(render(digest), digest, sender=SENDER, recipient="owner@example.org").as_bytes()


def plain(digest: HomeownerDigest) -> bytes:
    """A figure of pyplot with a tight box, and a template compiled for the occasion; no message."""
    mpl.use("Agg")
    from matplotlib import pyplot as plt

    daily = digest.daily
    plt.figure(figsize=(4.6, 2.5), dpi=150)
    plt.bar(daily.days, daily.measured, label="your roof made")
    plt.step(daily.days, daily.expected, where="mid", label="the weather allowed")
    plt.fill_between(daily.days, daily.low, daily.high, step="mid", alpha=0.3, label="likely range")
    plt.ylabel("kWh a day")
    plt.legend()
    out = io.BytesIO()
    plt.savefig(out, bbox_inches="tight")
    plt.close()
    total = digest.total
    assert total is not None
    source = (Path(templating.__file__).parent / "templates" / "homeowner.txt").read_text("utf-8")
    environment = Environment(autoescape=False)
    environment.filters |= {"fold": templating.fold}
    text = environment.from_string(source).render(
        d=digest, month=month_words(digest.first), made=facts.month_made(digest, total), begun="", year=None,
        allowed=facts.month_allowed(digest, total), weeks=facts.weeks(digest), contact=facts.contact_words(digest),
    )  # fmt: skip
    return out.getvalue() + text.encode()


def milliseconds(work: Callable[[HomeownerDigest], bytes], digest: HomeownerDigest, times: int) -> float:
    """Processor time of one run, the median of several; the first is left out."""
    work(digest)
    spent = []
    for _ in range(times):
        begun = time.process_time()
        work(digest)
        spent.append(time.process_time() - begun)
    return 1000.0 * statistics.median(spent)


def main() -> None:
    """Print both and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--times", type=int, default=20)
    times = parser.parse_args().times
    digest = august()
    own, other = (milliseconds(work, digest, times) for work in (ours, plain))
    print(f"a homeowner's digest to the bytes of its message: {own:.0f} ms, {len(ours(digest)) / 1000:.0f} kB")
    print(f"the plain way, without a message: {other:.0f} ms; ratio {own / other:.2f}")


if __name__ == "__main__":
    main()
