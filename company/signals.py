"""Signals by which the bottom app tells whoever listens above. Correctness never hangs on them: the nightly run finds what was missed."""

from django.dispatch import Signal

policy_changed = Signal()
"""Sent after commit with `duty` (slug) and `at`: the firm has changed how far batteries of a duty class are let go."""

person_leaving = Signal()
"""Sent with `person` and the `user` who asks, before a person is locked out or set to other work; receivers return sentences about what waits for them."""
