"""How does the broker know a password without holding it? Lines of Mosquitto's password_file.

The form is that of mosquitto_passwd since 2.0: $7$<iterations>$<salt>$<hash>, PBKDF2 with SHA-512 (RFC 8018).
"""

import hashlib
import secrets
from base64 import b64encode
from typing import Final

_ITERATIONS: Final = 10_000  # of a random password: there is no dictionary to run
_SALT_BYTES: Final = 12


def new_password() -> str:
    """A password that nobody can guess: 192 random bits."""
    return secrets.token_urlsafe(24)


def password_line(user: str, password: str) -> str:
    """A user's line, with a salt of its own."""
    salt = secrets.token_bytes(_SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, _ITERATIONS)
    return f"{user}:$7${_ITERATIONS}${b64encode(salt).decode()}${b64encode(digest).decode()}"
