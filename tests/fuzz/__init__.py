"""Readers tried on hostile input: ``python -m tests.fuzz READER --runs N --seed S``."""
