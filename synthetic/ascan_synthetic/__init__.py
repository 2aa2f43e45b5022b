"""Synthetic A-scans of plates of known thickness: an independent yardstick.

Nothing here is taken from the package under test, nor the other way round: signals are built from
plane waves, impedances and path lengths, and the truth stands beside every waveform.
"""
