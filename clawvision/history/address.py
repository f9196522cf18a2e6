"""Where a store is: a file, or a PostgreSQL database. A password never leaves this module but to the server."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError

from clawvision.errors import UsageError
from clawvision.plain import plain

_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:")
_DRIVERS = ("postgresql", "postgresql+psycopg")
_REMEDY = "Name a file, or write postgresql://USER@HOST/DATABASE."


@dataclass(frozen=True, slots=True)
class Address:
    """A store's place. ``shown`` names it in messages and holds neither user nor password."""

    shown: str
    path: Path | None
    url: URL | None = field(default=None, repr=False)

    def scrubbed(self, text: str) -> str:
        """Return ``text``, which comes from the database, without the address's secrets."""
        if self.url is not None:
            secrets = [self.url.password, *(v for k, v in self.url.query.items() if "pass" in k.lower())]
            for secret in secrets:
                if secret:
                    text = text.replace(str(secret), "***")
        return text


def parse_address(text: str) -> Address:
    """Return the place that an address names: ``postgresql://…`` or else the path of one SQLite file.

    Raises
    ------
    UsageError
        If it is neither. The message does not repeat the address, since it may hold a password.
    """
    if not text or "\0" in text:
        raise UsageError("The store's address is empty or holds what no address can.", _REMEDY)
    if _SCHEME.match(text) is None:
        if re.search(r"\bpassword\s*=", text):
            raise UsageError("The store's address is no file and no postgresql:// address.", _REMEDY)
        return Address(plain(text), Path(text))
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise UsageError("The store's address cannot be read.", _REMEDY) from None
    if url.drivername not in _DRIVERS:
        raise UsageError(
            "The store's address begins with something else than postgresql://.",
            f"{_REMEDY} A file whose name has a colon is written ./NAME.",
        )
    host = url.host or url.query.get("host") or "this computer"
    shown = f"PostgreSQL database {url.database or '(usual)'} on {host if isinstance(host, str) else ', '.join(host)}"
    return Address(plain(shown), None, url.set(drivername="postgresql+psycopg"))
