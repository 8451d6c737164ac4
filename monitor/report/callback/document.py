"""The pack for other programs: one document, and three tables."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from monitor.report.callback import parts_told
from monitor.report.callback.on_site import CAUTION, tests_on_site
from monitor.report.callback.pack import Pack
from monitor.report.callback.steps_told import (
    end_evidence,
    end_name,
    evidence,
    start_evidence,
    start_name,
    step_name,
)
from monitor.report.callback.story import verdict_sentences
from monitor.report.finding_document import finding_document

# Text that begins like that is a formula to a spreadsheet.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_DAYS = (
    "date", "subject", "measured_kwh", "expected_kwh", "expected_low_kwh", "expected_high_kwh", "irradiation_source",
    "availability", "usable",
)  # fmt: skip


def as_document(pack: Pack) -> dict[str, Any]:
    """All that the pack says; the waterfall in whole watt-hours, other energies in kWh."""
    first, last = pack.asked
    fall, verdict = pack.waterfall, pack.verdict
    return {
        "schema": 1,
        "site": pack.site.id,
        "name": pack.site.site.name,
        "from": first.isoformat(),
        "until": last.isoformat(),
        "assessed_until": pack.assessed_until.isoformat(),
        "days": pack.days_asked,
        "days_reckoned": pack.days,
        "verdict": {
            "kind": verdict.kind,
            "certainty": round(verdict.certainty, 4),
            "missing_share": verdict.short,
            "chances": dict(verdict.chances),
            "why_not": verdict.why_not or None,
            "sentences": list(verdict_sentences(pack)),
        },
        "waterfall": {
            "unit": "Wh",
            "range": 0.8,
            "start": {"key": "quoted" if fall.starts_with_quote else "weather_allowed", "wh": fall.start,
                      "evidence": start_evidence(pack)},
            "steps": [
                {
                    "key": step.key, "name": step_name(step), "wh": step.wh, "low": step.low, "high": step.high,
                    "then_at": total, "findings": list(step.findings), "evidence": evidence(pack, step),
                }
                for step, total in zip(fall.steps, fall.totals(), strict=True)
            ],
            "end": {"key": "measured", "name": end_name(pack), "wh": fall.end, "evidence": end_evidence(pack)},
            "expected": fall.expected,
            "by_inverters": fall.by_inverter,
        },
        "quote": {
            "kwh_per_year": pack.site.site.quoted_kwh_per_year,
            "model_kwh_per_typical_year": pack.year_on_paper,
            "usual_clear_sky_index": pack.usual.index,
            "usual_clear_sky_index_sigma": pack.usual.sigma,
        },
        "irradiation_sources": dict(pack.sources),
        "months": [
            {
                "month": f"{m.first:%Y-%m}", "days": m.days, "measured_kwh": m.measured, "expected_kwh": m.expected,
                "expected_low_kwh": m.low, "expected_high_kwh": m.high, "quoted_kwh": m.quoted,
            }
            for m in pack.months
        ],
        "findings": [finding_document(f) for f in pack.findings],
        "proofs": [{"finding": p.finding, "shows": p.alt} for p in pack.proofs],
        "says": {
            "modules": _points(parts_told.module_points(pack)),
            "strings": _points(parts_told.unit_points(pack, "string")),
            "inverter": _points(parts_told.unit_points(pack, "inverter")),
            "meter": _points(parts_told.meter_points(pack)),
        },
        "handover": [
            {
                "string": line.string, "quantity": line.quantity, "unit": line.measure,
                "handover": line.at_handover, "today": line.today, "today_low": line.low, "today_high": line.high,
                "change": line.change, "beside_others": line.beside, "held_back": line.is_held,
                "quarter_hours": line.quarters, "indirect": line.is_indirect, "says": parts_told.handover_words(line),
            }
            for line in pack.handover
        ],
        "cannot_say": _points(parts_told.cannot_say(pack)),
        "measure_on_site": {
            "caution": CAUTION,
            "tests": [
                {"test": t.what, "of": t.of, "expect": t.expect, "tolerance": t.tolerance, "why": t.why,
                 "pressing": t.pressing}
                for t in tests_on_site(pack)
            ],
        },
    }  # fmt: skip


def tables(pack: Pack) -> dict[str, str]:
    """CSV by name: days, waterfall and findings."""
    fall = pack.waterfall
    days = [
        (r.day, r.subject, r.measured_kwh, r.expected_kwh, r.expected_low_kwh, r.expected_high_kwh,
         r.irradiation_source, r.availability, r.usable)
        for r in pack.rows
        if r.measured_kwh is not None or r.expected_kwh is not None
    ]  # fmt: skip
    steps: list[tuple[Any, ...]] = [
        ("start", start_name(pack), fall.start, None, None, fall.start, "", start_evidence(pack))
    ]
    steps += [
        (s.key, step_name(s), s.wh, s.low, s.high, total, " ".join(s.findings), evidence(pack, s))
        for s, total in zip(fall.steps, fall.totals(), strict=True)
    ]
    steps.append(("end", end_name(pack), fall.end, None, None, fall.end, "", end_evidence(pack)))
    findings = [
        (f.id, f.subject, f.cause, f.level, f.state, f.since, f.raised, f.cleared, f.confidence, f.lost_kwh,
         f.lost_kwh_low, f.lost_kwh_high, f.summary)
        for f in pack.findings
    ]  # fmt: skip
    return {
        "days": _csv(_DAYS, days),
        "waterfall": _csv(("key", "step", "wh", "low_wh", "high_wh", "then_at_wh", "findings", "evidence"), steps),
        "findings": _csv(
            ("id", "subject", "cause", "level", "state", "since", "raised", "cleared", "confidence", "lost_kwh",
             "lost_kwh_low", "lost_kwh_high", "summary"), findings,
        ),
    }  # fmt: skip


def _points(points: Sequence[tuple[str, str]]) -> list[dict[str, str]]:
    return [{"of": name, "says": text} for name, text in points]


def _csv(heads: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows([[_plain(value) for value in row] for row in rows])
    return out.getvalue()


def _plain(value: Any) -> Any:
    """Text that a spreadsheet would take for a formula gets an apostrophe; numbers stay numbers."""
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
