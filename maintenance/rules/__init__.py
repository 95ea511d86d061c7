"""Rules of the work: due dates, rounds, drawings. Pure Python; nothing is read or written."""
