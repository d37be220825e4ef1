"""The text of an API key: `effk_<public id>_<secret>_<checksum>`, letters and digits only inside the parts.

A test key begins with `efft`. The prefix lets secret scanners find either, the checksum lets them and us tell a typing
error from a wrong key without a database, and a double click selects all of it.
"""

import hashlib
import re
import secrets
import string
import zlib

PREFIX, TEST_PREFIX = "effk", "efft"

_ALPHABET = string.digits + string.ascii_uppercase + string.ascii_lowercase
_ID_LENGTH = 12
# 43 characters of 62 carry 256 bits.
_SECRET_LENGTH = 43
# 6 characters of 62 hold any 32-bit number.
_CHECKSUM_LENGTH = 6
_PART = "[0-9A-Za-z]"
_KEY_ID = re.compile(rf"{_PART}{{{_ID_LENGTH}}}")
_TOKEN = re.compile(
    rf"(?P<body>(?:{PREFIX}|{TEST_PREFIX})_(?P<key_id>{_PART}{{{_ID_LENGTH}}})_{_PART}{{{_SECRET_LENGTH}}})"
    rf"_(?P<checksum>{_PART}{{{_CHECKSUM_LENGTH}}})"
)


def draw_token(*, test: bool = False) -> tuple[str, str]:
    """A new public id and the whole token it belongs to, from the system's random source; `test`: of a test key."""
    key_id = _draw(_ID_LENGTH)
    body = f"{TEST_PREFIX if test else PREFIX}_{key_id}_{_draw(_SECRET_LENGTH)}"
    return key_id, f"{body}_{_checksum(body)}"


def key_id_of(token: str) -> str | None:
    """The public id inside `token`; None when its shape or its checksum is wrong."""
    found = _TOKEN.fullmatch(token)
    if found is None or _checksum(found["body"]) != found["checksum"]:
        return None
    return found["key_id"]


def is_test_token(token: str) -> bool:
    """True for the token of a test key. Nobody makes one of another: the stored hash is over the whole token."""
    return token.startswith(f"{TEST_PREFIX}_")


def is_key_id(text: str) -> bool:
    """True when `text` has the shape of a public id."""
    return _KEY_ID.fullmatch(text) is not None


def token_hash(token: str) -> bytes:
    """What is stored instead of the token: 32 bytes, SHA-256.

    A slow hash would add nothing: the secret is 256 random bits, not a password somebody chose.
    """
    return hashlib.sha256(token.encode()).digest()


def _draw(length: int) -> str:
    return "".join(secrets.choice(_ALPHABET) for _ in range(length))


def _checksum(body: str) -> str:
    rest = zlib.crc32(body.encode())
    digits = []
    for _ in range(_CHECKSUM_LENGTH):
        rest, digit = divmod(rest, len(_ALPHABET))
        digits.append(_ALPHABET[digit])
    return "".join(reversed(digits))
