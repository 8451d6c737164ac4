"""E-mail addresses as people write them in a fleet folder, checked, and as mail servers want them."""

from __future__ import annotations

import re
from email.errors import MessageError
from email.headerregistry import Address

_HIDDEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]")
_SENDER = re.compile(r"(?P<name>[^<>\"]*?)\s*<(?P<spec>[^<>]+)>")
# A name before the @ with letters of other scripts, which the standard library does not take apart.
_WIDE_NAME = re.compile(r"(?:[\w!#$%&'*+/=?^`{|}~-]+\.)*[\w!#$%&'*+/=?^`{|}~-]+")
_EXPECTED = "expected one e-mail address such as name@example.org"


def one_line(text: str) -> str:
    """The text, if no line break or control character is in it; else ValueError."""
    if _HIDDEN.search(text):
        raise ValueError("expected plain text without line breaks or control characters")
    return text


def check_address(text: str) -> str:
    """The text, if it is one e-mail address; else ValueError."""
    parse_address(one_line(text))
    return text


def check_sender(text: str) -> str:
    """The text, if it is an e-mail address or `Name <address>`; else ValueError."""
    check_address(split_sender(one_line(text))[1])
    return text


def split_sender(text: str) -> tuple[str, str]:
    """Name and address of a sender; the name may hold a comma, and may be empty."""
    match = _SENDER.fullmatch(text)
    return (match["name"], match["spec"]) if match else ("", text)


def parse_address(text: str, name: str = "") -> Address:
    """An address with its domain in letters that every mail server knows; ValueError if it is none."""
    username, at, domain = text.rpartition("@")
    try:
        carried = domain.encode("idna").decode("ascii").lower()
        if username.isascii():
            parsed = Address(name, addr_spec=f"{username}{at}{carried}")
        elif _WIDE_NAME.fullmatch(username):
            parsed = Address(name, username, Address(addr_spec=f"x@{carried}").domain)
        else:
            raise ValueError(_EXPECTED)
    except (ValueError, IndexError, AttributeError, MessageError):
        raise ValueError(_EXPECTED) from None
    if "." not in parsed.domain or not parsed.username:
        raise ValueError(_EXPECTED)
    return parsed
