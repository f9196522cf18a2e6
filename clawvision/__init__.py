"""Measures cattle claws from plain photos and says which need a look for lameness."""

__version__ = "0.1.0"
