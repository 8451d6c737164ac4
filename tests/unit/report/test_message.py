"""Messages as a mail program sees them: parsed back from bytes by the standard library."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from html.parser import HTMLParser
from pathlib import Path

import pytest

from monitor.detect.telling.phrases import ROOF_CAUTION
from monitor.report import render as rendering
from monitor.report.digest import FindingCard, HomeownerDigest, Matter, ServiceDigest, Story, Sunniness, YearAndQuote
from monitor.report.message import compose
from monitor.report.render import SIZES, render
from monitor.report.service import MOST_PICTURES
from monitor.report.stories import story_title
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
def troubled(make_service: Callable[..., ServiceDigest], make_story: Callable[..., Story]) -> ServiceDigest:
    """A morning with one new finding."""
    return make_service(news=(make_story(),))


def test_structure_and_headers(troubled: ServiceDigest) -> None:
    message = parsed(troubled)
    kinds = [part.get_content_type() for part in message.walk()]
    assert kinds == ["multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"]
    assert (
        message["Subject"]
        == "Northmoor Roof Energy: 1 new finding: String makes nothing at Larkrise Cottage (31 Aug 2026)"
    )
    assert (message["From"], message["To"]) == (SENDER, "service@example.org")
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"].datetime == troubled.edition.written
    assert re.fullmatch(r"<[0-9a-f]{24}@example\.org>", message["Message-ID"])


@pytest.mark.parametrize("size", [30, 40, 45, 90, 120])
def test_a_subject_begins_on_its_line_whatever_its_length(
    make_homeowner: Callable[..., HomeownerDigest], size: int
) -> None:
    digest = make_homeowner(site="Lark " * (size // 5))
    raw = compose(render(digest), digest, sender=SENDER).as_bytes()
    assert raw.startswith(b"Subject: Lark Lark")
    assert parsed(digest)["Subject"].startswith("Lark Lark")


def test_every_picture_is_called_by_its_content_id_and_has_words(troubled: ServiceDigest) -> None:
    message = parsed(troubled)
    images = [attrs for tag, attrs in Tags(body(message, "html")).tags if tag == "img"]
    ids = [f"cid:{part['Content-ID'].strip('<>')}" for part in message.walk() if part.get_content_maintype() == "image"]
    assert [image["src"] for image in images] == ids
    assert images[0]["alt"] == "String makes nothing at Larkrise Cottage. String s1 on 5 Aug 2026 beside string s2."


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
        "String makes nothing at Larkrise Cottage: string s1 on inverter inv1, since 3 Aug 2026.", "3 Aug 2026",
        "35.2 kWh, 9.86 GBP (range 31.0 to 39.9 kWh)", "practically certain (99%)", "1 new finding, on 3 sites.",
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
    make_story: Callable[..., Story],
    make_homeowner: Callable[..., HomeownerDigest],
) -> None:
    card = make_card(
        site=HOSTILE, subject=HOSTILE, summary=HOSTILE, check_first=HOSTILE, why=HOSTILE, otherwise=HOSTILE
    )
    lists = {"quiet": (HOSTILE,), "without_data": (HOSTILE,), "set_aside": (HOSTILE,)}
    told, twice = make_story(card, common=HOSTILE, proof_alt=HOSTILE), make_story(card, card, proof=None)
    service = make_service(
        news=(told, twice), standing=(told,), cleared=(twice,), fleet=HOSTILE, notes=(card,), **lists
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
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    story = make_story(make_card(site="x" * 120, check_first="Look at the voltage of this string. " * 30))
    digest = make_service(
        news=(story,) * 20,
        standing=(story,),
        cleared=(story,),
        set_aside=("incoming/" + "y" * 200,),
        without_data=("z " * 90,),
    )
    plain = body(parsed(digest), "plain")
    assert max(len(line) for line in plain.splitlines()) <= 78
    assert "\n\n\n" not in plain


def test_many_findings_stay_within_the_budget(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    cards = [
        make_card(site=f"House number {n}", check_first=f"{'Look at the voltage. ' * 45}{ROOF_CAUTION}", change="new")
        for n in range(70)
    ]
    stories = tuple(make_story(card) for card in cards)
    digest = make_service(news=stories, standing=stories[-40:], cleared=stories[-9:])
    message = parsed(digest)
    page, plain = body(message, "html"), body(message, "plain")
    pictures = [part for part in message.walk() if part.get_content_maintype() == "image"]
    assert len(page.encode()) <= 80_000
    assert len(message.as_bytes()) <= 300_000
    assert len(pictures) == MOST_PICTURES
    assert f"Pictures are drawn for the first {MOST_PICTURES} only." in page
    cards, lines = SIZES[1]  # so many are told in full and in a line each of a heavy morning
    for text in (" ".join(Tags(page).text.split()), " ".join(plain.split())):
        told = set(re.findall(r"String makes nothing at House number (\d+):", text))
        assert {str(n) for n in range(cards, cards + lines)} <= told
        assert str(cards + lines) not in told - {str(n) for n in range(30, 70)}
        assert f"And {(70 - cards - lines) + (40 - lines)} more open findings" in text
        assert text.count("never open a connector under load") == 1


def test_heavy_pictures_are_left_out(
    make_service: Callable[..., ServiceDigest], make_story: Callable[..., Story], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rendering, "png", lambda figure: b"x" * 60_000)
    page = render(make_service(news=(make_story(),) * 5))
    assert [len(picture.png) for picture in page.pictures] == [60_000, 60_000]
    assert sum(60_000 for _ in page.pictures) <= rendering.PICTURE_BYTES


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
        "Questions? Answer this mail or write to service@example.org",
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


def said(digest: HomeownerDigest | ServiceDigest) -> str:
    """The words of the plain part on one line."""
    return " ".join(body(parsed(digest), "plain").split())


def test_a_dull_june_is_a_dull_june(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    june = make_homeowner(first=date(2026, 6, 1), sunniness=Sunniness(ratio=0.8, than="last_year"))
    assert "It was a dull June: about a fifth less than in June 2025." in said(june)
    usual = replace(june, sunniness=Sunniness(ratio=1.26, than="usual"))
    assert "It was a sunny June: about a quarter more than is usual in June." in said(usual)
    alike = replace(june, sunniness=Sunniness(ratio=0.98, than="last_year"))
    assert "It allowed about as much as in June 2025." in said(alike)


@pytest.mark.parametrize(
    ("measured", "told"),
    [
        (3500.0, "So your roof made what was quoted, as far as can be told."),
        (3000.0, "So your roof made about 15 percent less than quoted. What we know of the reason stands above."),
        (4000.0, "So your roof made about a tenth more than quoted."),
    ],
)
def test_the_year_is_held_against_the_quote_after_its_weather(
    make_homeowner: Callable[..., HomeownerDigest], measured: float, told: str
) -> None:
    year = YearAndQuote(
        days=365, measured=measured, quoted=4000.0, quoted_year=4000.0, weathered=3600.0, low=3400.0, high=3800.0
    )
    text = said(make_homeowner(year=year, matters=(Matter(text="We know.", is_over=False),)))
    assert "You were quoted 4,000 kWh for a year." in text
    assert "These months were duller than usual; with their weather the quote comes to about 3,600 kWh." in text
    assert told in text
    unknown = said(make_homeowner(year=replace(year, measured=3000.0), matters=()))
    assert "less than quoted. We do not know the reason yet and look into it." in unknown


def test_weather_that_is_not_known_is_not_blamed(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    year = YearAndQuote(days=360, measured=3500.0, quoted=3950.0, quoted_year=4000.0)
    text = said(make_homeowner(year=year))
    assert "(5 days without complete readings left out)" in text
    assert "how much of the difference is weather cannot be said" in text
    assert "than quoted" not in text


def test_a_first_page_says_so(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    begun = make_homeowner(begun=date(2026, 8, 3))
    assert "in its first weeks: it began to work on 3 Aug 2026." in said(begun)
    daily = replace(begun.daily, days=(), measured=(), expected=(), low=(), high=(), whole=())
    before = said(replace(begun, total=None, daily=daily, matters=()))
    assert "so there is nothing to tell of this month yet" in before
    assert "No readings" not in before


def test_whom_to_call(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    assert (
        "Questions? Call Northmoor Roof Energy on 01632 960123 or answer this mail or write to service@example.org; "
        "we are glad to help."
    ) in said(make_homeowner(phone="01632 960123"))


@pytest.mark.parametrize(
    ("numbers", "headline"),
    [
        ((1, 0, 0, 0), "1 new finding, on 3 sites."),
        ((2, 1, 0, 0), "2 new findings, 1 worse, on 3 sites."),
        ((0, 1, 1, 2), "No new finding, 1 worse, 1 cleared; 2 open as told before, on 3 sites."),
        ((0, 0, 0, 1), "No new finding; 1 open as told before, on 3 sites."),
    ],
)
def test_a_morning_in_figures(
    make_service: Callable[..., ServiceDigest],
    make_card: Callable[..., FindingCard],
    make_story: Callable[..., Story],
    numbers: tuple[int, int, int, int],
    headline: str,
) -> None:
    new, worse, cleared, standing = (
        tuple(make_story(make_card(change=kind), proof=None) for _ in range(number))
        for kind, number in zip(("new", "worse", "cleared", "unchanged"), numbers, strict=True)
    )
    assert headline in said(make_service(news=(*new, *worse), cleared=cleared, standing=standing))


def test_what_has_not_changed_is_one_line_and_no_card(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    old = make_story(make_card(ahead=1200.0, ahead_money=300.0))
    message = parsed(make_service(standing=(old,)))
    plain = body(message, "plain")
    line = (
        "- String makes nothing at Larkrise Cottage: string s1 on inverter inv1 (Urgent, since 3 Aug 2026): 35.2 kWh "
        "lost, about 1,200 kWh in the next year"
    )
    assert line in " ".join(plain.split())
    assert "left alone, it costs about 1,200 kWh (about 300 GBP) in a year" in " ".join(plain.split())
    assert "Look at its voltage." not in plain + body(message, "html")
    assert [part for part in message.walk() if part.get_content_maintype() == "image"] == []


def test_findings_told_together_have_a_row_each_and_say_what_they_share(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    cards = [
        make_card(site=name, subject="inverter inv1", change="new", lost=n) for n, name in ((5.0, "Elm"), (6.0, "Oak"))
    ]
    text = said(make_service(news=(make_story(*cards, common="2 sites less than 1 km apart.", proof=None),)))
    assert "2 sites less than 1 km apart." in text
    assert "2 findings told together; how sure: practically certain (99%)" in text
    assert "Elm, inverter inv1: New, since 3 Aug 2026; lost 5.0 kWh, 9.86 GBP" in text
    assert text.count("Look at its voltage.") == 1


def test_why_it_is_told_again_and_what_else_it_may_be(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    card = make_card(
        change="worse", why="It is worse: now Urgent, before Watch.", otherwise="dirt (12%)", confidence=0.85
    )
    text = said(make_service(news=(make_story(card),)))
    assert "Worse, Urgent" in text
    assert "It is worse: now Urgent, before Watch." in text
    assert "likely (85%); otherwise most likely dirt (12%)" in text


def test_strings_of_one_inverter_are_named_together(
    make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    def title(*subjects: str) -> str:
        return story_title(make_story(*(make_card(subject=subject) for subject in subjects)))

    assert title("string s1 on inverter inv1", "string s2 on inverter inv1") == (
        "String makes nothing at Larkrise Cottage: strings s1 and s2 on inverter inv1"
    )
    assert title("string s1 on inverter inv1", "string s4 on inverter inv2").endswith(
        "string s1 on inverter inv1 and string s4 on inverter inv2"
    )


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
