"""How often a source may send, and how often an address may try unknown tokens; counted in the cache by the minute."""

from __future__ import annotations

import hashlib
import logging
from datetime import datetime

from django.core.cache import cache

from devices.models import IntakeSource

UNKNOWN_A_MINUTE = 30
"""Tries with unknown tokens per address and minute. Own choice: a wrongly set gateway tries less often, a guesser more."""

LOG = logging.getLogger(__name__)


def _counted(name: str, minute: int) -> int:
    """How often this name was counted in this minute, this time included; 0 where the cache is away.

    Without a cache nothing is held back: losing check-ins would be worse than taking too many.
    """
    key = f"intake:{name}:{minute}"
    try:
        if cache.add(key, 1, timeout=120):
            return 1
        return int(cache.incr(key))
    except ValueError:
        # It ran out between the two calls.
        return 1
    except Exception:
        LOG.warning("The cache is away: batches are not counted", exc_info=True)
        return 0


def _minute(at: datetime) -> tuple[int, int]:
    """The minute's number, and the whole seconds until the next one."""
    minute, second = divmod(int(at.timestamp()), 60)
    return minute, 60 - second


def wait_of_source(source: IntakeSource, at: datetime, *, is_batch: bool) -> int:
    """Count one request; gives the seconds to wait where it is one too many, else 0. Questions are counted apart."""
    minute, rest = _minute(at)
    name = f"source:{source.pk}:{'batch' if is_batch else 'ask'}"
    return rest if _counted(name, minute) > source.per_minute else 0


def wait_of_unknown(address: str, at: datetime) -> int:
    """Count a try with an unknown token from this address; gives the seconds to wait where there were too many, else 0."""
    minute, rest = _minute(at)
    name = hashlib.sha256(address.encode()).hexdigest()[:16]
    return rest if _counted(f"unknown:{name}", minute) > UNKNOWN_A_MINUTE else 0
