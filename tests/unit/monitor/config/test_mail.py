"""What [mail] and addresses may say, and how a mistake is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest.errors import ConfigurationError
from monitor.config import load_fleet
from monitor.config.addresses import check_address, check_sender, parse_address, split_sender

LEAST = 'host = "mail.example.org"\nsender = "aftercare@example.org"\n'
ADDRESS = "expected one e-mail address such as name@example.org"
SERVER = "expected the name of a mail server such as mail.example.org"
LOGIN = 'username = "u"\n'


def load(folder: Path, section: str):  # type: ignore[no-untyped-def]
    path = folder / "fleet.toml"
    path.write_text(path.read_text() + f"\n[mail]\n{section}")
    return load_fleet(folder).settings.mail


def test_the_least_that_has_to_be_said(fleet_folder: Path) -> None:
    mail = load(fleet_folder, LEAST)
    assert (mail.security, mail.server_port, mail.username, mail.empty_mornings) == ("starttls", 587, None, True)


@pytest.mark.parametrize(
    ("more", "port"), [('security = "tls"', 465), ('security = "none"', 25), ("port = 2525", 2525)]
)
def test_the_port_follows_the_security(fleet_folder: Path, more: str, port: int) -> None:
    assert load(fleet_folder, LEAST + more).server_port == port


@pytest.mark.parametrize(
    ("section", "said"),
    [
        (
            LEAST + LOGIN + 'password_env = "P"\npassword_file = "p"\n',
            "mail: password_env and password_file: expected only one of them",
        ),
        (LEAST + 'password_file = "p"\n', "mail: username: missing; expected this key beside password_file"),
        (LEAST + LOGIN, "mail: password_env or password_file: missing; expected one of them beside username"),
        (
            LEAST + LOGIN + 'password_env = "P"\nsecurity = "none"\n',
            "mail: security = 'none': expected starttls or tls, because a password would cross the network unprotected",
        ),
        (LEAST + 'security = "ssl"\n', "mail.security = 'ssl': input should be 'starttls', 'tls' or 'none'"),
        (LEAST + "pasword_env = 1\n", "mail.pasword_env: unknown key; did you mean password_env?"),
        (
            LEAST + 'service_team = ["a@example.org, b@example.org"]\n',
            f"mail.service_team[0] = 'a@example.org, b@example.org': {ADDRESS}",
        ),
        (LEAST.replace("mail.example.org", "smtp://x"), f"mail.host = 'smtp://x': {SERVER}"),
        (LEAST.replace("mail.example.org", ""), f"mail.host = '': {SERVER}"),
    ],
)
def test_mistakes_are_told(fleet_folder: Path, section: str, said: str) -> None:
    with pytest.raises(ConfigurationError) as caught:
        load(fleet_folder, section)
    assert [line.removeprefix("fleet.toml: ")[: len(said)] for line in caught.value.faults] == [said]


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "::1"])
def test_a_password_needs_no_protection_within_the_machine(fleet_folder: Path, host: str) -> None:
    section = LEAST.replace("mail.example.org", host) + LOGIN + 'password_env = "P"\nsecurity = "none"\n'
    assert load(fleet_folder, section).username == "u"


@pytest.mark.parametrize(
    ("text", "carried"),
    [
        ("owner@Example.ORG", "owner@example.org"),
        ('"odd name"@example.org', '"odd name"@example.org'),
        ("reader@exämple.org", "reader@xn--exmple-cua.org"),
        ("jürgen@example.org", "jürgen@example.org"),
        ("用户@例え.jp", "用户@xn--r8jz45g.jp"),
        ("o'brien+roof@example.org", "o'brien+roof@example.org"),
    ],
)
def test_addresses_as_servers_want_them(text: str, carried: str) -> None:
    assert parse_address(check_address(text)).addr_spec == carried


@pytest.mark.parametrize(
    "text",
    ["", "@", "a@", "@example.org", "a@localhost", "a b@example.org", "a@b@example.org", "a@example.org, b@example.org",
     "ü<script>@example.org", "jür gen@example.org", "a@x..org", f"a@{'x' * 70}.org", "Name <a@example.org>"],
)  # fmt: skip
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(ValueError, match=ADDRESS):
        check_address(text)


@pytest.mark.parametrize("text", ["a@example.org\r\nBcc: b@example.org", "a@exam\u202eple.org", "a\0@example.org"])
def test_what_hides_in_an_address(text: str) -> None:
    for check in (check_address, check_sender):
        with pytest.raises(ValueError, match="expected plain text without line breaks or control characters"):
            check(text)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("a@example.org", ("", "a@example.org")),
        ("<a@example.org>", ("", "a@example.org")),
        ("Roofs, Ltd <a@example.org>", ("Roofs, Ltd", "a@example.org")),
        ("Söhne & Co. <a@example.org>", ("Söhne & Co.", "a@example.org")),
    ],
)
def test_a_sender_may_have_a_name(text: str, parts: tuple[str, str]) -> None:
    assert split_sender(check_sender(text)) == parts


@pytest.mark.parametrize("text", ["Roofs", '"Roofs" <a@example.org>', "A <a@example.org> <b@example.org>", "A <>"])
def test_what_is_no_sender(text: str) -> None:
    with pytest.raises(ValueError, match="expected one e-mail address"):
        check_sender(text)
