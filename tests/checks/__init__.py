"""Calculations for anyone who wants to check our numbers, run by hand: python -m tests.checks.NAME."""
