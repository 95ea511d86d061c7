"""Judgements about what is installed: pure Python, no Django, no clock, no input or output."""
