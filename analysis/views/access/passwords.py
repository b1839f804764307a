"""Passwords by Argon2id (RFC 9106); imported only where one is set or asked for."""

from __future__ import annotations

import functools
import secrets
from concurrent.futures import ThreadPoolExecutor

import argon2

__all__ = ["hashed", "matches"]

# 19 MiB, two passes, one lane: what the OWASP Password Storage Cheat Sheet gives for little memory. The
# library's own 64 MiB would be an eighth of a small board's.
_HASHER = argon2.PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1)
# one at a time, and all on one thread: the C library keeps the memory of each thread that has had it
_ALONE = ThreadPoolExecutor(1, "passwords")


def hashed(password: str) -> str:
    """What is kept of a password."""
    return _ALONE.submit(_HASHER.hash, password).result()


@functools.cache
def _nobodys() -> str:
    return _HASHER.hash(secrets.token_urlsafe())


def matches(kept: str | None, password: str) -> bool:
    """Whether a password is the one that is kept; None is no password's, and takes as long."""
    return _ALONE.submit(_matches, kept, password).result()


def _matches(kept: str | None, password: str) -> bool:
    try:
        return _HASHER.verify(kept or _nobodys(), password) and kept is not None
    except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
        return False
