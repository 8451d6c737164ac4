"""Messages as another library reads them, which shares no code with the one that writes them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from html.parser import HTMLParser
from typing import Any

import pytest
from fast_mail_parser import PyMail, PyMimePart, parse_email, parse_email_tree

from monitor.report.digest import FindingCard, HomeownerDigest, ServiceDigest, Story
from monitor.report.message import compose
from monitor.report.render import render

SENDER = "Aftercare <aftercare@example.org>"
HEAVIEST = 500_000


def raw(digest: ServiceDigest | HomeownerDigest, sender: str = SENDER, recipient: str = "reader@example.org") -> bytes:
    return compose(render(digest), digest, sender=sender, recipient=recipient).as_bytes()


def head(data: bytes) -> dict[str, str]:
    """The header fields as they are on the wire, unfolded but not decoded."""
    lines = re.sub(rb"\r\n[ \t]", b" ", data.partition(b"\r\n\r\n")[0]).decode().split("\r\n")
    pairs = [line.split(": ", 1) for line in lines]
    assert len({name for name, _ in pairs}) == len(pairs)
    return dict(pairs)


def shape(part: PyMimePart) -> Any:
    """Content types, nested as the parts are."""
    inner = [shape(child) for child in part.children]
    return (part.content_type, inner) if inner else part.content_type


def leaves(part: PyMimePart) -> Iterator[PyMimePart]:
    if not part.children:
        yield part
    for child in part.children:
        yield from leaves(child)


@pytest.fixture
def troubled(make_service: Callable[..., ServiceDigest], make_story: Callable[..., Story]) -> ServiceDigest:
    """A morning with one new finding."""
    return make_service(news=(make_story(),))


def test_the_structure(troubled: ServiceDigest, make_homeowner: Callable[..., HomeownerDigest]) -> None:
    page = ["text/plain", ("multipart/related", ["text/html", "image/png"])]
    for digest in (troubled, make_homeowner()):
        assert shape(parse_email_tree(raw(digest))) == ("multipart/alternative", page)
        assert parse_email(raw(digest)).warnings == []
    quiet = make_homeowner(total=None, matters=())
    assert shape(parse_email_tree(raw(quiet))) == ("multipart/alternative", ["text/plain", "text/html"])


def test_pictures_come_by_content_id_and_have_words(troubled: ServiceDigest) -> None:
    data = raw(troubled)
    ids = [part.content_id for part in leaves(parse_email_tree(data)) if part.content_type == "image/png"]
    (html,) = parse_email(data).text_html
    images = re.findall(r"<img [^>]*>", html)
    assert [re.search(r'src="cid:([^"]+)"', image)[1] for image in images] == ids  # type: ignore[index]
    assert all(len(re.search(r'alt="([^"]+)"', image)[1]) > 40 for image in images)  # type: ignore[index]
    assert not re.search(r"(?:src|href)=[\"']?https?:", html)  # nothing is fetched, so nobody is watched


def test_the_headers_of_a_homeowners_page(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    found = head(raw(make_homeowner()))
    assert re.fullmatch(r"<[0-9a-f]{24}@example\.org>", found.pop("Message-ID"))
    assert re.fullmatch(r'multipart/alternative; boundary="=[0-9a-f]{24}-0="', found.pop("Content-Type"))
    assert found == {
        "Subject": "Larkrise Cottage in August 2026: about 310 kWh",
        "From": "Aftercare <aftercare@example.org>",
        "To": "reader@example.org",
        "Reply-To": "service@example.org",
        "Date": "Tue, 01 Sep 2026 06:00:00 +0000",
        "Auto-Submitted": "auto-generated",
        "Content-Language": "en",
        "List-Unsubscribe": "<mailto:service@example.org?subject=unsubscribe%20larkrise>",
        "MIME-Version": "1.0",
    }


def test_a_team_is_not_asked_whether_it_wants_to_know(troubled: ServiceDigest) -> None:
    assert not {"List-Unsubscribe", "Reply-To", "Bcc", "Cc"} & head(raw(troubled)).keys()


def test_what_names_a_message_stays_in_one_piece(make_homeowner: Callable[..., HomeownerDigest]) -> None:
    """The library would encode what is longer than a line, and no mail program decodes these."""
    domain = f"{'post-office.' * 9}example.org"
    found = head(raw(make_homeowner(contact=f"service.desk@{domain}"), sender=f"aftercare@{domain}"))
    assert found["List-Unsubscribe"] == f"<mailto:service.desk@{domain}?subject=unsubscribe%20larkrise>"
    assert found["Message-ID"].endswith(f"@{domain}>")


def test_readers_fleets_and_kinds_have_ids_of_their_own(
    troubled: ServiceDigest, make_homeowner: Callable[..., HomeownerDigest]
) -> None:
    home = make_homeowner()
    letters = [
        raw(home),
        raw(home, recipient="other@example.org"),
        raw(make_homeowner(firm="Another House")),
        raw(replace(home, edition=replace(home.edition, about="elm"))),
        raw(replace(home, edition=replace(home.edition, period="2026-09"))),
        raw(troubled),
    ]
    assert len({head(data)["Message-ID"] for data in letters}) == len(letters)


@pytest.mark.parametrize(
    "name",
    ["Roofs, Ltd", "Dächer, Söhne & Co. (Nord)", "屋根の会社", "Sun ☀️ Roofs", "a" * 80, "=?utf-8?q?Bank?=", "x@y.org"],
)
def test_a_senders_name_never_changes_who_it_is(troubled: ServiceDigest, name: str) -> None:
    mail: PyMail = parse_email(raw(troubled, sender=f"{name} <aftercare@example.org>"))
    assert mail.from_ is not None
    assert mail.from_.address == "aftercare@example.org"
    assert [one.address for one in mail.to] == ["reader@example.org"]
    assert head(raw(troubled, sender=f"{name} <aftercare@example.org>"))["From"].isascii()
    if not name.startswith("=?"):
        assert (mail.from_.display_name or "").replace("\ufe0f", "") == name.replace("\ufe0f", "")


def test_domains_are_carried_in_letters_that_every_server_knows(troubled: ServiceDigest) -> None:
    data = raw(troubled, recipient="reader@exämple.org", sender="Söhne <aftercare@dächer.example>")
    assert data.isascii()
    found = head(data)
    assert found["To"] == "reader@xn--exmple-cua.org"
    assert found["From"].endswith("<aftercare@xn--dcher-gra.example>")
    assert found["Message-ID"].endswith("@xn--dcher-gra.example>")


def test_other_letters_before_the_at_go_as_they_are(troubled: ServiceDigest) -> None:
    data = raw(troubled, recipient="jürgen@exämple.org")
    assert "To: jürgen@xn--exmple-cua.org\r\n".encode() in data


def test_a_contact_with_other_letters_keeps_no_message_from_its_reader(
    make_homeowner: Callable[..., HomeownerDigest],
) -> None:
    data = raw(make_homeowner(contact="jürgen@example.org"))
    assert data.isascii()
    assert "Reply-To" not in head(data)
    assert head(data)["List-Unsubscribe"] == "<mailto:j%C3%BCrgen@example.org?subject=unsubscribe%20larkrise>"


def test_hostile_names_command_nothing(
    make_service: Callable[..., ServiceDigest], make_card: Callable[..., FindingCard], make_story: Callable[..., Story]
) -> None:
    hostile = "\r\nBcc: all@example.org\r\n\r\n<script>x</script>\u202e\u0000'\" ☀️ \ud800=?utf-8?q?=0ABcc:?="
    card = make_card(site=hostile, subject=hostile, cause=hostile, summary=hostile)
    data = raw(
        make_service(
            fleet=hostile,
            news=(make_story(card, common=hostile, proof_alt=hostile),),
            set_aside=(hostile,),
            quiet=(hostile,),
        )
    )
    mail = parse_email(data)
    assert mail.bcc == []
    assert "Bcc" not in head(data)
    assert "\n" not in mail.subject
    assert "<script" not in mail.text_html[0]
    texts = mail.subject + mail.text_html[0] + mail.text_plain[0]
    assert not {"\u202e", "\0"} & set(texts)


def test_lines_and_weight_are_what_servers_take(
    make_service: Callable[..., ServiceDigest],
    make_card: Callable[..., FindingCard],
    make_story: Callable[..., Story],
    make_homeowner: Callable[..., HomeownerDigest],
) -> None:
    cards = (make_card(site=f"☀️ House {n} " * 8, check_first="Look at the voltage. " * 45) for n in range(60))
    many = tuple(make_story(card) for card in cards)
    for digest in (make_service(news=many, standing=many, cleared=many), make_homeowner()):
        data = raw(digest)
        assert len(data) < HEAVIEST
        lines = data.split(b"\r\n")
        assert max(map(len, lines)) <= 998
        assert not any(b"\n" in line or b"\r" in line for line in lines)
        assert data.isascii()


class Words(HTMLParser):
    """The words of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.said: list[str] = []
        self.feed(html[html.index("<body") :])

    def handle_data(self, data: str) -> None:
        self.said += re.findall(r"\d+(?:[.,]\d+)*", data)


def test_the_plain_part_tells_every_number_of_the_page(
    troubled: ServiceDigest, make_homeowner: Callable[..., HomeownerDigest]
) -> None:
    for digest in (troubled, make_homeowner()):
        mail = parse_email(raw(digest))
        numbers = set(Words(mail.text_html[0]).said)
        assert len(numbers) > 5
        assert numbers - set(re.findall(r"\d+(?:[.,]\d+)*", mail.text_plain[0])) == set()
