"""Messages as a mail program sees them: parsed back from bytes by the standard library."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser
from pathlib import Path

import pytest

from monitor.report.digest import FindingCard, HomeownerDigest, ServiceDigest
from monitor.report.message import compose
from monitor.report.render import CARDS, LINES, render
from monitor.report.service import CHARTS
from monitor.report.write import write_digest

SENDER = "Aftercare <aftercare@example.org>"
HOSTILE = "Lark<script>alert(1)</script>\r\nBcc: all@example.org\u202eegattoC \"x' & {{ 7*7 }}"


def parsed(digest: ServiceDigest | HomeownerDigest) -> EmailMessage:
    page = render(digest)
    message = compose(page, digest, sender=SENDER, recipient="service@example.org")
    back = message_from_bytes(message.as_bytes(), policy=default)
    assert isinstance(back, EmailMessage)
    return back


def body(message: EmailMessage, kind: str) -> str:
    part = message.get_body((kind,))
    assert isinstance(part, EmailMessage)
    return str(part.get_content())


class Tags(HTMLParser):
    """Collects start tags with their attributes, and the text between."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture
def troubled(make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard]) -> ServiceDigest:
    """A morning with one new finding."""
    return make_service(open=(make_card(),))


def test_structure_and_headers(troubled: ServiceDigest) -> None:
    message = parsed(troubled)
    kinds = [part.get_content_type() for part in message.walk()]
    assert kinds == ["multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"]
    assert message["Subject"] == "Northmoor Roof Energy: 1 new finding (31 Aug 2026)"
    assert (message["From"], message["To"]) == (SENDER, "service@example.org")
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"].datetime == troubled.edition.written
    assert re.fullmatch(r"<[0-9a-f]{24}@example\.org>", message["Message-ID"])


def test_every_picture_is_called_by_its_content_id_and_has_words(troubled: ServiceDigest) -> None:
    message = parsed(troubled)
    images = [attrs for tag, attrs in Tags(body(message, "html")).tags if tag == "img"]
    ids = [f"cid:{part['Content-ID'].strip('<>')}" for part in message.walk() if part.get_content_maintype() == "image"]
    assert [image["src"] for image in images] == ids
    assert images[0]["alt"] == (
        "Daily energy of string s1 on inverter inv1, Larkrise Cottage: since 3 Aug 2026 0.0 kWh made of 290 kWh "
        "expected; in the weeks before, 100% of what was expected."
    )


def test_same_digest_same_bytes_and_another_period_another_id(troubled: ServiceDigest) -> None:
    def raw(digest: ServiceDigest) -> bytes:
        return compose(render(digest), digest, sender=SENDER, recipient="a@example.org").as_bytes()

    assert raw(troubled) == raw(troubled)
    later = replace(troubled, edition=replace(troubled.edition, period="2026-09-01"))
    assert parsed(later)["Message-ID"] != parsed(troubled)["Message-ID"]


def test_both_bodies_tell_the_same_facts(troubled: ServiceDigest) -> None:
    message = parsed(troubled)
    plain = " ".join(body(message, "plain").split())
    seen = " ".join(Tags(body(message, "html")).text.split())
    for fact in (
        "String makes nothing: Larkrise Cottage, string s1 on inverter inv1", "3 Aug 2026", "after 4 Aug 2026",
        "35.2 kWh (31.0 to 39.9), 9.86 GBP", "practically certain (99%)", "0% since then; 100% before",
        "String s1 has made nothing.", "Look at its voltage.", "2 sites with nothing to tell: Hazelmere, Oakend.",
    ):  # fmt: skip
        assert fact in plain
        assert fact in seen


def test_an_empty_morning_is_one_line(make_service: Callable[..., ServiceDigest]) -> None:
    message = parsed(make_service())
    assert message["Subject"] == "Northmoor Roof Energy: Nothing to do (31 Aug 2026)"
    assert "Nothing to do: no open finding on 3 sites." in body(message, "plain")
    assert "findings" not in body(message, "plain").lower()


def test_hostile_names_stay_text(
    make_service: Callable[..., ServiceDigest],
    make_card: Callable[..., FindingCard],
    make_homeowner: Callable[..., HomeownerDigest],
) -> None:
    card = make_card(site=HOSTILE, subject=HOSTILE, summary=HOSTILE, check_first=HOSTILE)
    lists = {"quiet": (HOSTILE,), "without_data": (HOSTILE,), "set_aside": (HOSTILE,)}
    service = make_service(
        open=(card,), cleared=(replace(card, state="cleared"),), fleet=HOSTILE, notes=(card,), **lists
    )
    for digest in (service, make_homeowner(site=HOSTILE, firm=HOSTILE, health=HOSTILE)):
        message = parsed(digest)
        page = body(message, "html")
        assert not {"script"} & {tag for tag, _ in Tags(page).tags}
        assert "\u202e" not in page + body(message, "plain") + message["Subject"]
        assert message["Bcc"] is None
        assert "{{ 7*7 }}" in page
        assert not any(line.lstrip(" -").startswith("Bcc:") for line in body(message, "plain").splitlines()[:2])


def test_a_line_break_in_a_name_makes_no_line(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    plain = body(parsed(make_homeowner(site="Lark\nYour system is dangerous.\u2028Call")), "plain")
    assert "Lark Your system is dangerous. Call, August 2026" in plain.splitlines()


def test_plain_part_is_narrow(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard]
) -> None:
    card = make_card(site="x" * 120, check_first="Look at the voltage of this string. " * 30)
    digest = make_service(open=(card,) * 20, set_aside=("incoming/" + "y" * 200,), without_data=("z " * 90,))
    plain = body(parsed(digest), "plain")
    assert max(len(line) for line in plain.splitlines()) <= 78
    assert "\n\n\n" not in plain


def test_many_findings_stay_within_the_budget(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard]
) -> None:
    noisy = [make_card(site=f"House number {n}", check_first="Look at the voltage. " * 45) for n in range(70)]
    cards = [card if n < CHARTS else replace(card, chart=None) for n, card in enumerate(noisy)]
    digest = make_service(open=tuple(cards), cleared=tuple(cards[-9:]), more_charts=True)
    message = parsed(digest)
    page, plain = body(message, "html"), body(message, "plain")
    assert len(page.encode()) <= 80_000
    assert len(message.as_bytes()) <= 300_000
    assert f"Pictures are drawn for the first {CHARTS} findings only." in page
    for text in (page, " ".join(plain.split())):
        assert f"House number {CARDS + LINES - 1}," in text
        assert f"And {70 - CARDS - LINES} more open findings" in text
        assert f"House number {CARDS + LINES}," not in text


def test_tables_of_figures_have_captions_and_scopes(
    troubled: ServiceDigest, make_homeowner: Callable[..., HomeownerDigest]
) -> None:
    for digest in (troubled, make_homeowner()):
        tags = Tags(body(parsed(digest), "html")).tags
        names = [tag for tag, _ in tags]
        presented = [attrs for tag, attrs in tags if tag == "table" and attrs.get("role") == "presentation"]
        assert names.count("caption") == names.count("table") - len(presented) > 0
        assert all(attrs.get("scope") in ("row", "col") for tag, attrs in tags if tag == "th")
        assert ("html", {"lang": "en"}) in tags


def test_page_declares_its_encoding_early_and_knows_the_dark(troubled: ServiceDigest) -> None:
    page = render(troubled).html
    assert page.index('charset="utf-8"') < 1024
    assert "@media (prefers-color-scheme: dark)" in page


def test_homeowner_reads_month_weather_and_contact(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    plain = " ".join(body(parsed(make_homeowner()), "plain").split())
    for said in (
        "In August 2026 your roof made about 310 kWh of electricity.",
        "The weather allowed about 310 kWh (somewhere between 295 and 330 kWh).",
        "Days 1 to 7: made 70 kWh; the weather allowed 70 kWh",
        "Days 22 to 31: made 100 kWh",
        "From 3 to 5 August, readings were missing.",
        "write to service@example.org",
    ):
        assert said in plain


def test_a_rough_month_says_so_and_compares_no_weeks(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    digest = make_homeowner()
    assert digest.total is not None
    message = parsed(replace(digest, total=replace(digest.total, is_rough=True)))
    for kind in ("plain", "html"):
        text = " ".join(body(message, kind).split())
        assert "rough guess: between 295 and 330 kWh" in text
        assert "Weather allowed" not in text
        assert "; the weather allowed" not in text


def test_a_month_without_readings_is_another_page(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    message = parsed(make_homeowner(total=None, matters=()))
    assert message["Subject"] == "Larkrise Cottage in August 2026: no readings"
    assert [p.get_content_type() for p in message.walk() if p.get_content_maintype() == "image"] == []
    plain = " ".join(body(message, "plain").split())
    assert "No readings from your roof reached us in August 2026. The last ones are from 31 Aug 2026." in plain
    assert "We are looking into it." in plain
    assert "made" not in plain


def test_homeowner_is_never_asked_to_touch_anything(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    words = set(re.findall(r"[a-z]+", body(parsed(make_homeowner()), "plain").lower()))
    assert not words & {"open", "climb", "touch", "inverter", "string", "urgent", "fault", "irradiation"}


def test_files_are_named_by_kind_and_open_anywhere(
    tmp_path: Path, troubled: ServiceDigest, make_homeowner: Callable[..., HomeownerDigest]
) -> None:
    folder = tmp_path / "new" / "out"
    home = make_homeowner()
    paths = write_digest(render(troubled), troubled, folder, sender=SENDER, recipient="service@example.org")
    paths += write_digest(render(home), home, folder, sender=SENDER, recipient="owner@example.org")
    assert [path.name for path in paths] == [
        "service-2026-08-31.eml", "service-2026-08-31.html", "home-larkrise-2026-08.eml", "home-larkrise-2026-08.html",
    ]  # fmt: skip
    for page in (path.read_text("utf-8") for path in paths if path.suffix == ".html"):
        assert 'src="data:image/png;base64,' in page
        assert "cid:" not in page
    owner = message_from_bytes(paths[2].read_bytes(), policy=default)
    assert (owner["To"], owner["Reply-To"]) == ("owner@example.org", "service@example.org")


def test_writing_again_replaces(tmp_path: Path, troubled: ServiceDigest) -> None:
    page = render(troubled)
    once = [p.read_bytes() for p in write_digest(page, troubled, tmp_path, sender=SENDER)]
    again = [p.read_bytes() for p in write_digest(page, troubled, tmp_path, sender=SENDER)]
    assert once == again
    assert message_from_bytes(once[0], policy=default)["To"] is None  # nobody is named, so the header is left out
    assert len(list(tmp_path.iterdir())) == 2
