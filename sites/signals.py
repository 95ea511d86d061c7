"""Signals by which this app tells whoever listens above. Correctness never hangs on them: the nightly run finds what was missed."""

from django.dispatch import Signal

care_changed = Signal()
"""Sent after commit with `site_ids` (list of int): sites were closed, or are looked after again; also by taking that back."""
