"""Simulated fleets whose truth is known, for judging the due-date policy: `python -m tests.benchmarks.fleet --list`."""
