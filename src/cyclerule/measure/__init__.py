"""Runs that are measured: one call, a sweep over inputs, the whole program."""
