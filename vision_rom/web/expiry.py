"""Secrets that open something until a time, and the time at which they end."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from hashlib import sha256


def hash_of(token: str) -> str:
    """Return what is stored of a secret; it is long and random, so no salt is needed."""
    return sha256(token.encode()).hexdigest()


def later(hours: float) -> str:
    """Return the time in so many hours, or so many hours ago where negative, as :func:`vision_rom.records.database.now`."""
    return (datetime.now(UTC) + timedelta(hours=hours)).isoformat(timespec="seconds")
