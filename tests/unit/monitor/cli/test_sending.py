"""`digest --send` from end to end, and what `status` tells of the mail."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from monitor.store import Store
from monitor.store.assessed import set_all_assessed
from tests.mail_server import PASSWORD, USER, MailServer, authority_file

Run = Callable[..., Result]
HOME = ("--for", "homeowner", "--send")
SERVICE = ("--for", "service", "--send")


@pytest.fixture
def server() -> Iterator[MailServer]:
    with MailServer() as server:
        yield server


@pytest.fixture
def assessed(run: Run, fleet_folder: Path) -> Path:
    """A fleet without [mail] that went through its nights."""
    run("ingest", fleet_folder)
    assert run("assess", fleet_folder, "--from", "2025-06-01").exit_code == 0
    return fleet_folder


@pytest.fixture
def fleet(assessed: Path, server: MailServer) -> Path:
    """The same with [mail]; larkrise has two readers, millbeck has one."""
    write_mail(assessed, server.section())
    change(assessed / "sites/larkrise.toml", '["owner@example.org"]', '["ann@example.org", "bob@example.org"]')
    return assessed


@pytest.fixture
def june(fleet: Path) -> Path:
    """The same at the end of June, as far as its nights go."""
    assess_until(fleet, date(2025, 6, 30))
    return fleet


def assess_until(folder: Path, day: date) -> None:
    store = Store.open("sqlite:///aftercare.db", folder)
    with store.write() as conn:
        set_all_assessed(conn, ["larkrise", "millbeck"], day)
    store.close()


def write_mail(folder: Path, section: str) -> None:
    path = folder / "fleet.toml"
    path.write_text(path.read_text().partition("\n[mail]")[0] + section)


def change(path: Path, old: str, new: str) -> None:
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


def mail_standing(run: Run, folder: Path) -> Any:
    return json.loads(run("status", folder, "--json").stdout)["mail"]


def test_every_reader_gets_a_message_of_their_own_and_only_once(run: Run, june: Path, server: MailServer) -> None:
    done = run("digest", june, *HOME)
    assert (done.exit_code, done.stdout, done.stderr) == (0, "3 queued; 3 messages sent\n", "")
    assert [mail.recipients for mail in server.mails] == [
        ["ann@example.org"], ["bob@example.org"], ["owner@example.org"],
    ]  # fmt: skip
    for mail in server.mails:
        assert mail.message["To"] == mail.recipients[0]
        assert mail.sender == "aftercare@example.org"
        others = {"ann@example.org", "bob@example.org", "owner@example.org"} - set(mail.recipients)
        assert not any(other.encode() in mail.data for other in others)
    assert len({mail.message["Message-ID"] for mail in server.mails}) == 3
    assert not (june / "digests").exists()

    done = run("digest", june, *HOME)
    assert (done.exit_code, done.stdout) == (0, "0 queued, 3 queued or sent before; 0 messages sent\n")
    assert len(server.mails) == 3

    change(june / "sites/larkrise.toml", '"bob@example.org"', '"bob@example.org", "cat@example.org"')
    done = run("digest", june, *HOME, "--site", "larkrise")
    assert done.stdout == "1 queued, 2 queued or sent before; 1 message sent\n"
    assert server.mails[-1].recipients == ["cat@example.org"]


def test_files_are_written_as_well_if_a_folder_is_named(
    run: Run, fleet: Path, server: MailServer, tmp_path: Path
) -> None:
    done = run("digest", fleet, *SERVICE, "--out", tmp_path / "out")
    assert done.exit_code == 0
    assert [line.rpartition("/")[2] for line in done.stdout.splitlines()] == [
        "service-2025-06-06.eml", "service-2025-06-06.html", "1 queued; 1 message sent",
    ]  # fmt: skip
    assert [mail.recipients for mail in server.mails] == [["service@example.org"]]


def test_writing_files_sends_nothing(run: Run, fleet: Path, server: MailServer) -> None:
    assert run("digest", fleet, "--for", "service").exit_code == 0
    assert server.manners.connections == 0
    assert mail_standing(run, fleet) == {"last_sent": None, "waiting": [], "unsent": []}


@pytest.mark.parametrize(
    ("section", "reader", "said"),
    [
        ("", "service", "fleet.toml: mail: missing; --send expects a section [mail] with at least host and sender\n"),
        (
            '[mail]\nhost = "h"\nsender = "a@example.org"\n',
            "service",
            "fleet.toml: mail.service_team: missing; --send expects the addresses of who reads the service digest\n",
        ),
    ],
)
def test_what_is_missing_to_send_is_named(run: Run, assessed: Path, section: str, reader: str, said: str) -> None:
    write_mail(assessed, f"\n{section}")
    done = run("digest", assessed, "--for", reader, "--send")
    assert (done.exit_code, done.stdout, done.stderr) == (2, "", said)


def test_a_homeowner_without_an_address_is_named_and_no_error(run: Run, june: Path, server: MailServer) -> None:
    change(june / "sites/millbeck.toml", 'homeowner_email = ["owner@example.org"]\n', "")
    done = run("digest", june, *HOME)
    assert (done.exit_code, done.stdout) == (0, "2 queued; 2 messages sent\n")
    assert done.stderr == "millbeck: no homeowner_email in sites/millbeck.toml, so nobody is written to\n"


def test_a_month_that_is_not_over_or_was_before_the_roof_is_not_sent(run: Run, fleet: Path, server: MailServer) -> None:
    change(fleet / "sites/millbeck.toml", "commissioned = 2025-06-01", "commissioned = 2025-05-01")
    done = run("digest", fleet, *HOME)
    assert (done.exit_code, done.stdout) == (0, "1 queued; 1 message sent\n")
    assert done.stderr == "larkrise: commissioned on 2025-06-01, so nobody is told of 2025-05\n"
    done = run("digest", fleet, *HOME, "--month", "2025-06")
    assert (done.exit_code, done.stdout) == (0, "0 queued; 0 messages sent\n")
    assert done.stderr == "".join(
        f"{site}: 2025-06 is not sent before all of its nights are assessed; they are until 2025-06-06\n"
        for site in ("larkrise", "millbeck")
    )
    assess_until(fleet, date(2025, 6, 30))
    assert run("digest", fleet, *HOME, "--month", "2025-06").stdout == "3 queued; 3 messages sent\n"


def test_a_server_that_is_down_is_code_3_and_loses_nothing(run: Run, fleet: Path, server: MailServer) -> None:
    write_mail(fleet, server.section(port=9))
    done = run("digest", fleet, *SERVICE)
    assert (done.exit_code, done.stdout) == (3, "1 queued; 0 messages sent\n")
    assert done.stderr == (
        "the mail server localhost:9 refused the connection: check that it is running, and [mail] host and port\n"
    )
    standing = mail_standing(run, fleet)
    assert [(w["digest"], w["recipient"], w["tries"]) for w in standing["waiting"]] == [
        ("service-2025-06-06", "s…@example.org", 1)
    ]
    text = run("status", fleet).stdout
    assert "mail: 1 waiting, 0 refused or given up, last sent never" in text
    waiting = (
        "  waiting: service-2025-06-06 to s…@example.org since 2025-06-08 13:00 BST, next try 2025-06-08 13:05 BST"
    )
    assert f"{waiting}: the mail server localhost:9 refused the connection" in text

    write_mail(fleet, server.section())
    done = run("digest", fleet, *SERVICE)
    assert (done.exit_code, done.stdout) == (0, "0 queued, 1 queued or sent before; 1 message sent\n")
    assert len(server.mails) == 1


def test_a_refusal_is_code_1_told_and_tried_again_by_hand(run: Run, fleet: Path, server: MailServer) -> None:
    server.manners.on_sender = lambda _: "550 5.7.1 aftercare@example.org may not send here"
    done = run("digest", fleet, *SERVICE)
    said = f"localhost:{server.port} did not take the sender: 550 5.7.1 a…@example.org may not send here"
    assert (done.exit_code, done.stdout) == (1, "1 queued; 0 messages sent, 1 refused\n")
    assert done.stderr == f"{said}\n"
    assert [u["trouble"] for u in mail_standing(run, fleet)["unsent"]] == [said]

    server.manners.on_sender = lambda address: None if address == "mended@example.org" else "550 no"
    write_mail(fleet, server.section(sender="mended@example.org"))
    done = run("digest", fleet, *SERVICE)
    assert (done.exit_code, done.stdout) == (0, "1 queued; 1 message sent\n")
    assert server.mails[0].message["From"] == "mended@example.org"
    assert mail_standing(run, fleet)["unsent"] == []


def test_a_password_from_the_environment_over_a_protected_connection(
    run: Run, assessed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SSL_CERT_FILE", str(authority_file(tmp_path)))
    with MailServer(security="starttls", login=True) as server:
        write_mail(assessed, server.section(username=USER, password_env="MAIL_SECRET"))
        done = run("digest", assessed, *SERVICE)
        assert (done.exit_code, len(server.mails)) == (2, 0)
        assert done.stderr.startswith("fleet.toml: mail.password_env = 'MAIL_SECRET': expected the name of an env")
        done = run("digest", assessed, *SERVICE, env={"MAIL_SECRET": "wrong"})
        assert (done.exit_code, len(server.mails)) == (3, 0)
        assert "refused the login (535" in done.stderr
        assert "wrong" not in done.stderr
        done = run("digest", assessed, *SERVICE, env={"MAIL_SECRET": PASSWORD})
        assert (done.exit_code, len(server.mails)) == (0, 1)


def test_a_morning_with_nothing_to_tell_is_sent_unless_told_otherwise(
    run: Run, fleet: Path, server: MailServer
) -> None:
    write_mail(fleet, server.section(empty_mornings=False))
    done = run("digest", fleet, *SERVICE)
    assert (done.exit_code, done.stdout) == (0, "0 queued; 0 messages sent\n")
    assert done.stderr == "service-2025-06-06: nothing to tell, so it is not sent ([mail] empty_mornings)\n"
    write_mail(fleet, server.section())
    assert run("digest", fleet, *SERVICE).stdout == "1 queued; 1 message sent\n"
    plain = server.mails[0].message.get_body(("plain",))
    assert plain is not None
    assert "Nothing to do: no open finding on 2 sites." in plain.get_content()
    (fleet / "incoming/larkrise/inv1_x.csv").write_bytes(b"nothing, of, use\n")
    run("ingest", fleet)
    write_mail(fleet, server.section(empty_mornings=False, service_team=["late@example.org"]))
    assert run("digest", fleet, *SERVICE).stdout == "1 queued; 1 message sent\n"


def test_names_and_files_that_mean_harm_are_only_text(run: Run, fleet: Path, server: MailServer) -> None:
    change(
        fleet / "sites/larkrise.toml",
        'name = "Larkrise Cottage"',
        'name = "<script>alert(1)</script> \\"☀️\\" & Söhne, {{ 7*7 }}"',
    )
    evil = "inv1_\r\nBcc: all@example.org\r\n\r\n<script>x\u202egpj.csv"
    (fleet / "incoming/larkrise" / evil).write_bytes(b"a\r\nBcc: you@example.org,<img src=x onerror=y>\n1\n")
    raw = os.fsencode(fleet / "incoming/larkrise") + b"/inv1_\xff\x00.csv".replace(b"\x00", b"\x01")
    with open(raw, "wb") as file:
        file.write(b"no export\n")
    assert run("ingest", fleet).exit_code == 1
    assert run("digest", fleet, *SERVICE).exit_code == 0
    assess_until(fleet, date(2025, 6, 30))
    assert run("digest", fleet, *HOME).exit_code == 0
    assert len(server.mails) == 4
    for mail in server.mails:
        message = mail.message
        assert message["Bcc"] is None
        assert len(mail.recipients) == 1
        pages = [part.get_content() for part in message.walk() if part.get_content_maintype() == "text"]
        assert len(pages) == 2
        for page in pages:
            assert "\u202e" not in page
            assert not any(line.startswith("Bcc:") for line in page.splitlines())
        assert "<script" not in pages[1]
        assert "<img src=x" not in pages[1]
    service = server.mails[0].message
    plain = service.get_body(("plain",))
    assert plain is not None
    assert "Bcc: all@example.org" in " ".join(plain.get_content().split())  # within the line of its file


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_is_one_sentence(run: Run, fleet: Path, server: MailServer, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    for name in ("service-2025-06-06", "home-larkrise-2025-06"):
        (out / f".{name}.eml.part").symlink_to("/dev/full")
    done = run("digest", fleet, "--for", "service", "--out", out)
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr == f"{out}/service-2025-06-06.eml: cannot be written: No space left on device\n"
    assert list(out.glob("*.eml")) == []
    # Mail goes all the same, and the next home's, too.
    assess_until(fleet, date(2025, 6, 30))
    done = run("digest", fleet, *HOME, "--out", out)
    assert (done.exit_code, done.stdout) == (1, "3 queued; 3 messages sent\n")
    assert done.stderr == f"{out}/home-larkrise-2025-06.eml: cannot be written: No space left on device\n"


@pytest.mark.parametrize("words", [("service",), ("homeowner", "--month", "2025-06")])
def test_a_place_that_cannot_be_written_to_is_one_sentence(
    run: Run, fleet: Path, tmp_path: Path, words: tuple[str, ...]
) -> None:
    (tmp_path / "file").write_text("in the way")
    done = run("digest", fleet, "--out", tmp_path / "file/out", "--for", *words)
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr.endswith(".eml: cannot be written: Not a directory\n")
    assert done.stderr.count("\n") == 1
