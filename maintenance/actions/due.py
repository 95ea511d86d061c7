"""Writes of due dates: one site at once, the fleet at night."""

from __future__ import annotations


def refresh_receivers(*, receiver_ids: list[int]) -> int:
    """Work out due dates of these receivers anew."""
    return 0


def start_nightly() -> None:
    """Start or resume tonight's run."""
