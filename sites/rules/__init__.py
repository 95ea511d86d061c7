"""Rules of places: pure Python, no Django, no clock, no I/O."""
