"""The pack laid out as blocks, in the order in which somebody wants to know."""

from __future__ import annotations

from collections.abc import Iterator

from monitor.detect.finding import Finding
from monitor.report.callback import parts_told
from monitor.report.callback.blocks import Block, Cell, Grid, Heading, Listing, Paragraph, Shown
from monitor.report.callback.energy_blocks import month_blocks, waterfall_blocks
from monitor.report.callback.on_site import CAUTION, SOURCE, tests_on_site
from monitor.report.callback.pack import Pack
from monitor.report.callback.story import headline, verdict_sentences
from monitor.report.figures import full_png
from monitor.report.proof.drawing import proof_figure
from monitor.report.words import LEVELS, cause_words, count, day_words, kwh, range_words, sure_words


def laid_out(pack: Pack) -> list[Block]:
    """All blocks of the pack."""
    return [
        *_top(pack),
        *waterfall_blocks(pack),
        *month_blocks(pack),
        *_proofs(pack),
        *_parts(pack),
        *_handover(pack),
        *_cannot_say(pack),
        *_on_site(pack),
        *_method(pack),
    ]


def _top(pack: Pack) -> Iterator[Block]:
    first, last = pack.asked
    yield Heading(f"{pack.site.site.name}: “it is not making what you quoted”", 1, over=pack.fleet)
    yield Paragraph(
        f"Evidence for {day_words(first)} to {day_words(last)}, readings assessed up to "
        f"{day_words(pack.assessed_until)}.",
        "soft",
    )
    fact, why = verdict_sentences(pack)
    yield Paragraph(f"{fact} {why}", "lead", strong=f"{headline(pack)}.")
    left = parts_told.gaps_words(pack)
    if left:
        yield Paragraph(left, "soft")


def _proofs(pack: Pack) -> Iterator[Block]:
    told = [f for f in pack.findings if f.level != "note"]
    notes = [f for f in pack.findings if f.level == "note"]
    yield Heading("What was found, and what proves it")
    if not told:
        yield Paragraph("No finding of a fault touches this period.")
    for finding in told:
        yield from _finding(pack, finding)
    if notes:
        yield Heading("Normal, and worth knowing", 3)
        yield Listing(tuple((f"{cause_words(f.cause)}.", f"{f.summary} [{f.id}]") for f in notes))
        for finding in notes:
            yield from _pictures(pack, finding)


def _finding(pack: Pack, finding: Finding) -> Iterator[Block]:
    yield Heading(cause_words(finding.cause), 3, over=f"{LEVELS[finding.level][0]}, {_standing(finding)}, {finding.id}")
    yield Paragraph(finding.summary)
    yield from _pictures(pack, finding)
    facts = [("How sure:", sure_words(finding.confidence))]
    if finding.lost_kwh > 0.0:
        facts.append((
            "Lost in all:",
            f"{kwh(finding.lost_kwh)} kWh ({range_words(finding.lost_kwh_low, finding.lost_kwh_high)}) since "
            f"{day_words(finding.since)}",
        ))  # fmt: skip
    if finding.verdict is not None:
        facts.append(("An engineer said:", finding.verdict.replace("-", " ")))
    yield Listing(tuple(facts))
    advice = finding.advice.get("service")
    first = next((f for f in pack.findings if f.advice.get("service") == advice and f.state == "open"), finding)
    if advice and finding.state == "open" and first.id == finding.id:  # said once for findings that are alike
        yield Paragraph(advice, "check", strong="Check first.")


def _pictures(pack: Pack, finding: Finding) -> Iterator[Block]:
    for n, proof in enumerate(p for p in pack.proofs if p.finding == finding.id):
        yield Shown(f"proof-{finding.id}-{n + 1}", full_png(proof_figure(proof.data)), proof.alt, proof.alt)


def _standing(finding: Finding) -> str:
    if finding.state == "open":
        return f"open since {day_words(finding.since)}"
    return f"{day_words(finding.since)} to {day_words(finding.last_seen)}"


def _parts(pack: Pack) -> Iterator[Block]:
    yield Heading("What the readings say of each part")
    for title, points in (
        ("Modules", parts_told.module_points(pack)),
        ("Strings", parts_told.unit_points(pack, "string")),
        ("Inverter", parts_told.unit_points(pack, "inverter")),
        ("Meter", parts_told.meter_points(pack)),
    ):
        yield Heading(title, 3)
        yield Listing(tuple((f"{name}:", text) for name, text in points))
        if title == "Strings" and sum(unit.subject.startswith("string:") for unit in pack.units) > 1:
            yield Paragraph(parts_told.STRINGS_NOTE, "soft")


def _handover(pack: Pack) -> Iterator[Block]:
    told = pack.site.handover
    if told is None:
        return
    yield Heading("Beside the day of handover")
    if not pack.handover:
        yield Paragraph(
            "Handover values stand in the site file, but nothing can be held against them: that takes irradiance and "
            "module temperature at handover, and strings whose volts or amps are logged in like light."
        )
        return
    yield Paragraph(
        f"Measured on {day_words(told.date)} at {told.irradiance_w_m2:.0f} W/m² and "
        f"{told.module_temperature_c:.0f} °C, beside the middle of the last weeks' quarter hours in like light, "
        "brought to the same light and temperature (IEC 60891 in its simplest form; of the coefficients the site file "
        "has that of power); hours in which the inverter was full are left out.",
        "soft",
    )
    yield Grid(
        "At the working point of each string; in brackets the 80% range by light and temperature",
        ("String", "handover", "today", "change"),
        tuple(
            (
                Cell(
                    f"{line.string}, {line.quantity}",
                    f"{parts_told.handover_words(line)}; from {line.quarters} quarter hours on "
                    f"{count(line.days, 'day', 'days')}, light by {line.light}"
                    + ("; worked out by nameplate from what was measured in open or short circuit"
                       if line.is_indirect else ""),
                ),
                Cell(f"{line.at_handover:.1f} {line.measure}"),
                Cell(f"{line.today:.1f} {line.measure}", f"({line.low:.1f} to {line.high:.1f})"),
                Cell(f"{line.change:+.1%}".replace("-", "−")),
            )
            for line in pack.handover
        ),
        numbers=3,
    )  # fmt: skip


def _cannot_say(pack: Pack) -> Iterator[Block]:
    yield Heading("What the data cannot say")
    yield Listing(tuple((f"{name}:", text) for name, text in parts_told.cannot_say(pack)))


def _on_site(pack: Pack) -> Iterator[Block]:
    yield Heading("What to measure on site")
    yield Paragraph(CAUTION, "check", strong="Before anything else.")
    yield Grid(
        "The most pressing first, in bold",
        ("Test", "Expect here", "Tolerance"),
        tuple(
            (
                Cell(f"{test.what}: {test.of}", f"shows {test.why}", test.pressing), Cell(test.expect),
                Cell(test.tolerance),
            )
            for test in tests_on_site(pack)
        ),
    )  # fmt: skip
    yield Paragraph(SOURCE, "soft")


def _method(pack: Pack) -> Iterator[Block]:
    yield Heading("How it was worked out")
    yield Listing((
        ("Expected:", "what this roof, as it was when new, makes of the light of each quarter of an hour (pvlib)."),
        ("Losses:", "each finding takes its share of what was expected, one after the other, nothing twice."),
        ("Ranges:", "hold eight of ten cases; days share half of their error (planning value)."),
        ("The quote's months:", "the model's typical year of this roof on paper: clear-sky energy of each month under "
         "a usual clear-sky index; one month's share is good to about ±13% (planning value), a year's is exact."),
        ("Chance of the main cause:", "how often it takes more than any other, over draws of all ranges, in which a "
         "finding counts as often as it is right."),
        ("Files:", f"{pack.name}-days.csv, -waterfall.csv and -findings.csv hold the figures."),
    ))  # fmt: skip
