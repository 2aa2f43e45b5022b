"""Signals of known truth by physics that share no code with the engine or with `synthetic/`.

Nothing here imports `ascan` or `ascan_synthetic`.
"""
