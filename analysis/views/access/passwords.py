"""Passwords by Argon2id (RFC 9106); imported only where one is set or asked for."""

from __future__ import annotations

import functools
import secrets
import threading

import argon2

__all__ = ["hashed", "matches"]

# 19 MiB, two passes, one lane: what the OWASP Password Storage Cheat Sheet gives for little memory. The
# library's own 64 MiB would be an eighth of a small board's.
_HASHER = argon2.PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)
_ONE_AT_A_TIME = threading.Lock()  # many at once would take its memory as often


def hashed(password: str) -> str:
    """What is kept of a password."""
    with _ONE_AT_A_TIME:
        return _HASHER.hash(password)


@functools.cache
def _nobodys() -> str:
    return _HASHER.hash(secrets.token_urlsafe())


def matches(kept: str | None, password: str) -> bool:
    """Whether a password is the one that is kept; None is no password's, and takes as long."""
    with _ONE_AT_A_TIME:
        try:
            return _HASHER.verify(kept or _nobodys(), password) and kept is not None
        except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
            return False
