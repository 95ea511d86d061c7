"""Signals by which this app tells whoever listens. Nothing depends on them for correctness: the nightly run finds what was missed."""

from django.dispatch import Signal

slot_map_changed = Signal()
"""Sent after commit with `receiver_ids` (list of int), `site_ids` (list of int): slots, fittings or settings have changed."""

cells_fitted_by_hand = Signal()
"""Sent by a form that has saved cells, with `fitting` and `user`: listeners answer with a list of sentences to warn that person with."""

catalogue_changed = Signal()
"""Sent after commit with `kind` (model name), `pk`, `at`, `by`: figures of a type have changed that due dates rest on."""

faults_changed = Signal()
"""Sent after commit with `receiver_ids` (list of int), `fault_ids` (list of int): faults were raised, ended or acknowledged."""
