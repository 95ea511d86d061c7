"""Signals by which this app tells whoever listens. Nothing depends on them for correctness: the nightly run finds what was missed."""

from django.dispatch import Signal

slot_map_changed = Signal()
"""Sent after commit with `receiver_ids` (list of int), `site_ids` (list of int): slots, fittings or settings have changed."""
