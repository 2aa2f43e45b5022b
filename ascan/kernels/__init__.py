"""Compiled scalars and small loops that two stages share, and the one room that knows numba."""
