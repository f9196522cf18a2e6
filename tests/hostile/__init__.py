"""Hostile files, made by a program from a seed, and what the commands have to make of them."""
