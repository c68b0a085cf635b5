"""Passwords as argon2id hashes. An unknown user costs as much work as a known one."""

from __future__ import annotations

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError


class Passwords:
    """Hashes and checks, with the library's own costs unless *hasher* has others."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._nobodys = self._hasher.hash("nobody has this one")

    def hash(self, password: str) -> str:
        """The hash to keep: its salt and its costs are in it."""
        return self._hasher.hash(_text(password))

    def right(self, kept: str | None, password: str) -> bool:
        """Does *password* belong to the hash *kept*? None: nobody's, the same work, never right."""
        try:
            self._hasher.verify(kept or self._nobodys, _text(password))
        except (VerificationError, InvalidHashError):
            return False
        return kept is not None

    def is_old(self, kept: str) -> bool:
        """Was the hash made with other costs than today's? Then make it anew at a log-in."""
        return self._hasher.check_needs_rehash(kept)


def quick() -> Passwords:
    """The least work that the library does: for a demonstration, whose password is no secret."""
    return Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))


def _text(password: str) -> bytes:
    return password.encode("utf-8", "replace")  # a lone surrogate must not stop a page
